"""Running the shop page: its address, its port, and the code that pairs the first phone."""

from __future__ import annotations

import ipaddress
import logging
import signal
import socket
from collections.abc import Callable, Iterable

import segno
import uvicorn

from triage.errors import UserError
from triage.web.app import make_app, open_shop
from triage.web.guard import Door
from triage.web.sessions import Sessions
from triage.web.shop_pages import pairing_link

MOST_CONNECTIONS = 128
BACKLOG = 64
PRIVATE_PROBES = ("10.255.255.255", "192.168.255.255", "172.31.255.255")  # nothing is sent to them


def serve(port: int, *, share: bool, say: Callable[[str], None]) -> None:
    """Serve the page until interrupted; `say` gets what the person at the PC should read.

    Raises
    ------
    UserError
        The port is taken or not allowed, there is no network to share on, or the record cannot be opened.
    """
    here = _own_address() if share else None
    listening = _listen("0.0.0.0" if share else "127.0.0.1", port)
    port = listening.getsockname()[1]
    door = Door(_hosts(port, here), f"triage_{port}", Sessions())
    try:
        shop = open_shop(door, f"http://{here}:{port}" if here else None)
    except BaseException:
        listening.close()
        raise
    say(f"The shop page is at http://127.0.0.1:{port} (end it with Ctrl+C).")
    if here:
        say(_invitation(pairing_link(shop)))
    logging.getLogger("triage.web").addHandler(logging.StreamHandler())
    config = uvicorn.Config(
        make_app(shop),
        log_level="error",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        limit_concurrency=MOST_CONNECTIONS,
        timeout_keep_alive=20,
        timeout_graceful_shutdown=5,
        lifespan="on",
    )
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # ends tidily, as Ctrl+C does
    uvicorn.Server(config).run(sockets=[listening])


def _invitation(link: str) -> str:
    code = "\n".join(_blocks(segno.make(link, error="m").matrix_iter(border=2)))
    return (
        f"Open to the shop's network. To pair a phone, scan this with its camera, or open\n{link}\n{code}\n"
        "It pairs one phone, within ten minutes; the page “Phones” shows a new code. Whoever is on the same "
        "network can read along: use the shop's own, never a guest network."
    )


def _blocks(rows: Iterable[Iterable[int]]) -> list[str]:
    """Draw a code with half blocks, two rows a line, for the usual terminal that writes light on dark."""
    matrix = [list(row) for row in rows]
    matrix += [[0] * len(matrix[0])] * (len(matrix) % 2)
    signs = {(0, 0): "█", (0, 1): "▀", (1, 0): "▄", (1, 1): " "}
    return [
        "".join(signs[bool(top), bool(low)] for top, low in zip(*pair, strict=True))
        for pair in zip(matrix[::2], matrix[1::2], strict=True)
    ]


def _listen(host: str, port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(BACKLOG)
    except OSError as error:
        listening.close()
        raise UserError(
            f"Port {port} cannot be used ({(error.strerror or str(error)).lower()}): another program "
            f"holds it, or this one already; give another with --port {port + 1 if port < 65535 else 8321}."
        ) from error
    return listening


def _own_address() -> str:
    """Return this computer's address on the shop's network."""
    found = [_towards(probe) for probe in PRIVATE_PROBES]
    found += _by_name()
    for address in found:
        if address and ipaddress.ip_address(address).is_private and not address.startswith("127."):
            return address
    raise UserError(
        "This computer is on no network that phones could share; connect it, or leave out --share."
    )


def _towards(probe: str) -> str | None:
    """Return the address that packets to `probe` would leave from; none is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect((probe, 9))
            return str(asking.getsockname()[0])
        except OSError:
            return None


def _by_name() -> list[str]:
    try:
        return [str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    except OSError:
        return []


def _hosts(port: int, here: str | None) -> frozenset[str]:
    """Return the names that the page answers to."""
    names = ["127.0.0.1", "localhost", *([here] if here else [])]
    return frozenset([*(f"{name}:{port}" for name in names), *(names if port == 80 else [])])
