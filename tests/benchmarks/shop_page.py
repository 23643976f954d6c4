"""How quick the shop page stays while many phones send photos at once, and whether every photo is kept once.

    python -m tests.benchmarks.shop_page [UPLOADS] [CLIENTS]

Pages asked for again and again meanwhile: the first one, a sample's, a machine list. Times in ms.
"""

from __future__ import annotations

import secrets
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from tests.triage.shop import client, half_size, served, settled
from triage.record.book import open_record, samples

LONGEST_S = 3600.0  # for one photo, on a computer that is busy with other things
PAGES = ("/", "/samples", "/samples/1", "/machines")


def send(address: str, photo: bytes) -> None:
    with client(address) as phone:
        key = secrets.token_hex(16)
        phone.put(f"/photos/{key}/0", content=photo)
        phone.post(f"/photos/{key}")
        settled(phone, key, LONGEST_S)


def ask(address: str, over: threading.Event, took: dict[str, list[float]]) -> None:
    with client(address) as reader:
        while not over.is_set():
            for path in PAGES:
                begun = time.perf_counter()
                reader.get(path)
                took[path].append(1000 * (time.perf_counter() - begun))
            time.sleep(0.1)


def main(uploads: int, clients: int) -> None:
    photo = half_size("pressure_washer_PW-07_after.jpg")
    took: dict[str, list[float]] = {path: [] for path in PAGES}
    over = threading.Event()
    with tempfile.TemporaryDirectory() as folder, served(Path(folder)) as shop:
        send(shop.address, photo)
        reader = threading.Thread(target=ask, args=(shop.address, over, took))
        reader.start()
        begun = time.perf_counter()
        with ThreadPoolExecutor(clients) as pool:
            list(pool.map(lambda _: send(shop.address, photo), range(uploads)))
        lasted = time.perf_counter() - begun
        over.set()
        reader.join()
        with open_record(f"sqlite:///{shop.data / 'record.sqlite'}") as record:
            kept = len(samples(record)) - 1
    print(f"{uploads} uploads by {clients} clients in {lasted:.0f} s, {kept} kept")
    for path, times in took.items():
        median, late = np.percentile(times, [50, 95])
        print(f"{path:12} median {median:.0f}, 95 % under {late:.0f}, {len(times)} asked")


if __name__ == "__main__":
    main(*(int(value) for value in (sys.argv[1:] + ["100", "8"][len(sys.argv) - 1 :])))
