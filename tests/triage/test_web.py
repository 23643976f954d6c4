"""What comes in to the shop page, on a real server on loopback."""

from __future__ import annotations

import re
import secrets
import socket
import threading
from urllib.parse import urlsplit

import httpx2
import pytest

from tests.triage.shop import Served, client, half_size, served, settled
from triage.record.book import find_sample, load_measured, open_record, samples
from triage.web.uploads import MOST_BYTES


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    with served(tmp_path_factory.mktemp("shop")) as running:
        yield running


@pytest.fixture(scope="module")
def good_photo():
    return half_size("pressure_washer_PW-07_after.jpg")


def key():
    return secrets.token_hex(16)


def test_an_upload_sent_twice_makes_one_sample(shop, good_photo):
    with client(shop.address) as phone:
        mine = key()
        for _ in range(2):
            assert phone.put(f"/photos/{mine}/0", content=good_photo).status_code == 200
        for _ in range(2):
            assert phone.post(f"/photos/{mine}").json() == {"go": f"/photos/{mine}"}
        first = settled(phone, mine)
        phone.put(f"/photos/{mine}/0", content=good_photo)
        phone.post(f"/photos/{mine}")
        again = settled(phone, mine)

    assert first.status_code == again.status_code == 303
    assert first.headers["location"] == again.headers["location"]
    assert len(kept(shop)) == 1


def kept(shop: Served):
    with open_record(f"sqlite:///{shop.data / 'record.sqlite'}") as record:
        return samples(record)


def test_two_phones_with_one_key_at_once_make_one_sample(shop, good_photo):
    mine, before = key(), len(kept(shop))

    def send():
        with client(shop.address) as phone:
            phone.put(f"/photos/{mine}/0", content=good_photo)
            phone.post(f"/photos/{mine}")

    threads = [threading.Thread(target=send) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with client(shop.address) as phone:
        settled(phone, mine)

    assert len(kept(shop)) == before + 1


def test_a_broken_upload_leaves_nothing_and_can_be_repeated(shop, good_photo):
    where, mine = urlsplit(shop.address), key()
    with client(shop.address) as phone:
        cookie = "; ".join(f"{name}={value}" for name, value in phone.cookies.items())
        head = (
            f"PUT /photos/{mine}/0 HTTP/1.1\r\nHost: {where.netloc}\r\nCookie: {cookie}\r\n"
            f"x-triage-token: {phone.headers['x-triage-token']}\r\nContent-Length: {len(good_photo)}\r\n\r\n"
        )
        with socket.create_connection((where.hostname, where.port)) as line:
            line.sendall(head.encode() + good_photo[: len(good_photo) // 2])
        started = phone.post(f"/photos/{mine}")

        assert started.status_code == 400
        assert "take it again" in started.json()["sentence"]
        assert not list(shop.data.rglob("*.part"))
        assert phone.put(f"/photos/{mine}/0", content=good_photo).json() == {"state": "receiving"}


def test_what_is_too_big_is_refused_before_it_is_read(shop):
    where = urlsplit(shop.address)
    with client(shop.address) as phone:
        cookie = "; ".join(f"{name}={value}" for name, value in phone.cookies.items())
        head = (
            f"PUT /photos/{key()}/0 HTTP/1.1\r\nHost: {where.netloc}\r\nCookie: {cookie}\r\n"
            f"x-triage-token: {phone.headers['x-triage-token']}\r\nContent-Length: {MOST_BYTES + 1}\r\n\r\n"
        )
        with socket.create_connection((where.hostname, where.port)) as line:
            line.sendall(head.encode())
            answer = line.recv(4096).decode()

    assert answer.startswith("HTTP/1.1 413")


def test_a_body_without_a_stated_size_is_refused(shop):
    with client(shop.address) as phone:
        answer = phone.put(f"/photos/{key()}/0", content=iter([b"\xff\xd8\xff"] * 3))

    assert answer.status_code == 400
    assert "without its size" in answer.json()["sentence"]


@pytest.mark.parametrize("content", [b"", b"<svg onload=alert(1)>", b"%PDF-1.7", b"MZ" + bytes(200)])
def test_what_is_no_photo_is_refused(shop, content):
    with client(shop.address) as phone:
        answer = phone.put(f"/photos/{key()}/0", content=content)

    assert answer.status_code == 400


def test_a_file_that_only_begins_like_a_photo_is_refused_with_what_to_do(shop):
    with client(shop.address) as phone:
        mine = key()
        phone.put(f"/photos/{mine}/0", content=b"\xff\xd8\xff" + bytes(5000))
        phone.post(f"/photos/{mine}")
        page = settled(phone, mine)

    assert page.status_code == 200
    assert "Take the photo again" in page.text


def test_after_two_bad_photos_other_ways_are_offered_and_work(shop):
    blurred = half_size("generator_GN-05_blurred.jpg")
    with client(shop.address) as phone:
        pages = []
        for _ in range(2):
            mine = key()
            phone.put(f"/photos/{mine}/0", content=blurred)
            phone.post(f"/photos/{mine}")
            pages.append(settled(phone, mine).text)
        phone.post(f"/photos/{mine}/scale", data={"way": "stated", "um_per_px": "70"})
        after = settled(phone, mine)

    assert ["Twice now" in page for page in pages] == [False, True]
    assert "Too blurred" in pages[0]
    assert "Marked: what is not sharp" in pages[0]
    assert re.search(r'<rect x="[1-9][\d.]+" y="[1-9][\d.]+" width="[1-9][\d.]+"', pages[0])
    assert after.status_code in {200, 303}


def test_answers_given_while_it_is_measured_are_in_the_record(shop, good_photo):
    with client(shop.address) as phone:
        mine = key()
        phone.put(f"/photos/{mine}/0", content=good_photo)
        phone.post(f"/photos/{mine}")
        answers = {"unit": "GN-12", "origin": "tank", "feed": "gravity", "noticed": ["water", "gum"]}
        phone.post(f"/photos/{mine}/said", data=answers)
        number = int(settled(phone, mine).headers["location"].rsplit("/", 1)[1])
    with open_record(f"sqlite:///{shop.data / 'record.sqlite'}") as record:
        said = load_measured(record, number).sample
        unit = find_sample(record, number).unit

    assert unit == "GN-12"
    assert (said.origin, said.feed, said.noticed) == ("tank", "gravity", ("water", "gum"))


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "localhost", "127.0.0.1", "", "[::1]"])
def test_it_answers_to_its_own_names_only(shop, host):
    answer = httpx2.get(shop.address, headers={"host": host})

    assert answer.status_code in {400, 421}
    assert "set-cookie" not in answer.headers


def test_a_taken_port_is_one_sentence(shop):
    from typer.testing import CliRunner

    from triage.cli import app

    port = urlsplit(shop.address).port
    result = CliRunner().invoke(app, ["serve", "--port", str(port)])

    assert result.exit_code != 0
    assert f"Port {port} cannot be used" in str(result.exception)
