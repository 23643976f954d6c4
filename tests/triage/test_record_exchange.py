"""Export and import: nothing lost, nothing doubled, no place told, no trick in a stranger's zip."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from PIL.ExifTags import GPS, IFD, Base

from tests.triage.saved import Invented, invented, with_photo
from triage.errors import UserError
from triage.photo import open_photo
from triage.record.book import (
    correct,
    find_sample,
    history,
    load_analysis,
    machines,
    open_record,
    result_of,
    samples,
    save_comparison,
    save_machine,
    save_sample,
    save_visit,
    saved_result,
    visits,
)
from triage.record.bring_in import bring_in
from triage.record.entries import Correction, Machine, ServiceVisit
from triage.record.exchange import csv_text, export
from triage.record.location import without_place
from triage.record.reports import report_name, sample_report
from triage.record.upkeep import check

PLACE = b"Nowhere Lane 7"


@pytest.fixture
def here(new_database):
    with open_record(new_database("sqlite")) as record:
        yield record


@pytest.fixture
def elsewhere(database):
    with open_record(database) as record:
        yield record


def fill(record, sample: Invented, unit: str = "PW-07") -> int:
    """Save a sample with all that can hang on it; returns its number."""
    save_machine(record, Machine(unit, serial="S1", type="pressure washer", power_kw=4.1))
    visit = save_visit(record, unit, ServiceVisit(date(2026, 5, 1), "WO 1", noticed=("water",), notes="a\nb"))
    saved = save_sample(record, sample.analysis, [sample.photo], blank=sample.photo, visit=visit.number)
    correct(record, saved.number, Correction(1, "reject", None, "AB"))
    save_comparison(record, saved.number, saved.number, {"verdict": "no_difference_shown"})
    return saved.number


def phone_jpeg(path: Path) -> bytes:
    """A JPEG as phones write it: place in EXIF and XMP, a comment, and a clip after the picture."""
    rng = np.random.default_rng(3)
    picture = Image.fromarray(rng.integers(0, 255, (64, 96, 3), dtype=np.uint8))
    exif = Image.Exif()
    exif[Base.Make], exif[Base.Model], exif[Base.Orientation] = "Maker", "Phone 1", 6
    exif[Base.ImageDescription] = PLACE.decode()
    exif[IFD.Exif] = {Base.DateTimeOriginal: "2026:05:12 09:41:00", Base.UserComment: PLACE}
    exif[IFD.GPSInfo] = {GPS.GPSLatitude: (52.0, 30.0, 7.0), GPS.GPSAreaInformation: PLACE}
    stream = io.BytesIO()
    hidden = {"xmp": b"<x>" + PLACE + b"</x>", "comment": PLACE}
    picture.save(stream, "JPEG", quality=90, exif=exif, progressive=True, **hidden)
    path.write_bytes(stream.getvalue() + b"MotionPhoto" + PLACE)
    return path.read_bytes()


def test_everything_comes_back_in_another_record(here, elsewhere, tmp_path):
    sample = invented(tmp_path)
    number = fill(here, sample)
    done = export(here, tmp_path / "all.zip")
    brought = bring_in(elsewhere, tmp_path / "all.zip")
    (saved,) = samples(elsewhere)

    assert (done.machines, done.samples, done.photos, done.missing) == (1, 1, 1, ())
    assert (brought.machines, brought.visits, brought.samples, brought.renamed) == (1, 1, 1, ())
    assert saved_result(elsewhere, saved.number) == saved_result(here, number)
    there, ours = result_of(elsewhere, saved.number), result_of(here, number)
    assert there == ours
    assert find_sample(elsewhere, saved.number).photos == find_sample(here, number).photos
    assert [replace(each, number=1) for each in visits(elsewhere, "PW-07")] == list(visits(here, "PW-07"))
    assert replace(machines(elsewhere)[0].machine, number=1) == machines(here)[0].machine
    assert history(elsewhere, "PW-07").rows[0].kinds == history(here, "PW-07").rows[0].kinds
    pictures = [load_analysis(*each).pictures[0].rgb for each in ((here, number), (elsewhere, saved.number))]
    assert np.array_equal(*pictures)
    assert check(elsewhere) == ()


def test_an_import_again_and_at_home_adds_nothing(here, elsewhere, tmp_path):
    number = fill(here, invented(tmp_path))
    export(here, tmp_path / "all.zip")
    before = result_of(here, number)
    bring_in(elsewhere, tmp_path / "all.zip")
    export(elsewhere, tmp_path / "back.zip")

    for record, path in ((elsewhere, "all.zip"), (here, "all.zip"), (here, "back.zip")):
        again = bring_in(record, tmp_path / path)
        assert (again.machines, again.visits, again.samples) == (0, 0, 0)
        assert len(samples(record)) == 1
    assert result_of(here, number) == before


def test_one_machine_leaves_without_the_others(here, elsewhere, tmp_path):
    fill(here, invented(tmp_path, seed=1), "A1")
    fill(here, invented(tmp_path, seed=2), "A2")
    export(here, tmp_path / "one.zip", "a2")
    bring_in(elsewhere, tmp_path / "one.zip")

    assert [each.machine.unit for each in machines(elsewhere)] == ["A2"]
    assert len(samples(elsewhere)) == 1


def test_two_yards_same_unit_number(here, elsewhere, tmp_path):
    """Another serial number is another machine; none known, it is taken for the same."""
    fill(here, invented(tmp_path))
    export(here, tmp_path / "all.zip")
    save_machine(elsewhere, Machine("pw-07", serial="S2"))
    brought = bring_in(elsewhere, tmp_path / "all.zip")

    assert brought.renamed == (("PW-07", "PW-07 (2)"),)
    found = [(each.machine.unit, each.samples) for each in machines(elsewhere)]
    assert found == [("pw-07", 0), ("PW-07 (2)", 1)]
    again = bring_in(elsewhere, tmp_path / "all.zip")
    assert (again.machines, again.renamed) == (0, ())


def test_a_machine_of_unknown_serial_is_the_same_one(here, elsewhere, tmp_path):
    fill(here, invented(tmp_path))
    export(here, tmp_path / "all.zip")
    save_machine(elsewhere, Machine("PW-07", notes="ours"))
    bring_in(elsewhere, tmp_path / "all.zip")

    ((only),) = machines(elsewhere)
    assert (only.samples, only.machine.notes, only.machine.serial) == (1, "ours", None)


def test_no_place_leaves_the_computer(here, tmp_path):
    data = phone_jpeg(tmp_path / "phone.jpg")
    sample = with_photo(invented(tmp_path), tmp_path / "phone.jpg")
    fill(here, sample)
    export(here, tmp_path / "all.zip", pdf=True)
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        (name,) = [each for each in archive.namelist() if each.startswith("photos/")]
        everything = b"".join(archive.read(each) for each in archive.namelist())
        (tmp_path / "clean.jpg").write_bytes(archive.read(name))
        assert "reports/PW-07_2026-05-01_WO-1_sample-1.pdf" in archive.namelist()

    assert PLACE in data
    assert PLACE not in everything
    assert b"Motion" not in everything
    clean, original = open_photo(tmp_path / "clean.jpg"), open_photo(tmp_path / "phone.jpg")
    assert np.array_equal(clean.rgb, original.rgb)
    assert (clean.taken_at, clean.camera, clean.dpi) == (original.taken_at, original.camera, original.dpi)
    assert original.taken_at == "2026-05-12T09:41:00"
    with Image.open(tmp_path / "clean.jpg") as header:
        assert not header.getexif().get_ifd(IFD.GPSInfo)
        assert header.getexif()[Base.Orientation] == 6


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP", "HEIF", "odd JPEG"])
def test_other_pictures_leave_as_plain_png(tmp_path, kind):
    path = tmp_path / "picture"
    phone_jpeg(path)
    if kind == "odd JPEG":  # a fill byte before the first segment
        data = path.read_bytes()
        path.write_bytes(data[:2] + b"\xff" + data[2:])
    else:
        if kind == "HEIF":
            heif = pytest.importorskip("pillow_heif", reason="pillow-heif is not installed (extra `heic`)")
            heif.register_heif_opener()
        with Image.open(path) as picture:
            exif = picture.getexif()
            extra = {"description": PLACE.decode()} if kind == "TIFF" else {}
            picture.save(path, kind, exif=exif, **extra)
    clean = without_place(path)
    (tmp_path / "clean.png").write_bytes(clean.data)

    assert PLACE in path.read_bytes() or kind == "WEBP"
    assert clean.ending == "png"
    assert PLACE not in clean.data
    again, original = open_photo(tmp_path / "clean.png"), open_photo(path)
    assert np.array_equal(again.rgb, original.rgb)
    assert (again.taken_at, again.camera) == (original.taken_at, original.camera)


def test_a_report_is_found_by_machine_day_and_work_order(here, tmp_path):
    pdfium = pytest.importorskip("pypdfium2")
    report = sample_report(here, fill(here, invented(tmp_path, 5)))
    document = pdfium.PdfDocument(report.data)
    told = document.get_metadata_dict()

    assert report.name == "PW-07_2026-05-01_WO-1_sample-1.pdf"
    assert told["Title"] == "Fuel filter debris check: PW-07, work order WO 1"
    assert "PW-07" in told["Keywords"]
    assert "work order WO 1" in document[0].get_textpage().get_text_bounded()
    hostile = report_name(3, date(2026, 1, 2), '../a b\\c;"\n', "=1/2")
    assert hostile == "a-b-c_2026-01-02_1-2_sample-3.pdf"
    assert report_name(3, date(2026, 1, 2), None, None) == "2026-01-02_sample-3.pdf"


def test_tables_hold_no_formula(here, tmp_path):
    sample = invented(tmp_path)
    save_sample(here, sample.analysis, [sample.photo], unit="=cmd|' /C calc'!A0")
    export(here, tmp_path / "all.zip")
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        (row,) = csv.DictReader(io.StringIO(archive.read("machines.csv").decode()))
        particles = list(csv.DictReader(io.StringIO(archive.read("particles.csv").decode())))

    assert row["unit"] == "'=cmd|' /C calc'!A0"
    assert len(particles) == len(sample.analysis.particles)
    assert csv_text([{"a": "+1", "b": -1.5, "c": "@x", "d": "ok"}]).splitlines()[1] == "'+1,-1.5,'@x,ok"


def changed(tmp_path: Path, change: Callable[[dict[str, bytes]], None]) -> Path:
    """The exported zip with its members changed."""
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    change(members)
    path = tmp_path / "changed.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return path


def document(change: Callable[[dict], None]) -> Callable[[dict[str, bytes]], None]:
    def work(members: dict[str, bytes]) -> None:
        told = json.loads(members["record.json"])
        change(told)
        members["record.json"] = json.dumps(told).encode()

    return work


def first(name: str, key: str, value: object) -> Callable[[dict[str, bytes]], None]:
    return document(lambda told: told[name][0].update({key: value}))


def spoil(prefix: str, data: bytes) -> Callable[[dict[str, bytes]], None]:
    def work(members: dict[str, bytes]) -> None:
        members.update({name: data for name in members if name.startswith(prefix)})

    return work


WRONG = {
    "another format": document(lambda told: told.update(format="x")),
    "no list": document(lambda told: told.update(samples=None)),
    "not JSON": spoil("record.json", b"{"),
    "deep JSON": spoil("record.json", b"[" * 200_000),
    "a list": spoil("record.json", b"[]"),
    "path as uuid": first("analyses", "uuid", "../../etc/passwd"),
    "path as photo": first("photos", "sha256", "../" * 20 + "etc/passwd"),
    "unknown machine": first("visits", "machine", "nobody"),
    "unit of a wrong kind": first("machines", "unit", ["PW"]),
    "number as text": first("machines", "power_kw", "4"),
    "text too long": first("machines", "notes", "x" * 10_001),
    "no such kind": first("corrections", "kind", "<script>"),
    "no such action": first("corrections", "action", "burn"),
    "no date": first("visits", "visited_on", "2026-02-31"),
    "huge number": first("corrections", "particle", 2**70),
    "result of another": spoil("results/", b'{"particles": []}'),
    "details that are none": spoil("details/", b"[]"),
    "no result": lambda members: [members.pop(name) for name in list(members) if name.startswith("results/")],
    "no analysis": document(lambda told: told.update(analyses=[], corrections=[], comparisons=[])),
}


@pytest.fixture
def exported(here, tmp_path):
    fill(here, invented(tmp_path, 5))
    export(here, tmp_path / "all.zip")


def test_a_zip_that_is_wrong_brings_in_nothing(exported, elsewhere, tmp_path):
    del exported
    for name, change in WRONG.items():
        with pytest.raises(UserError) as told:
            bring_in(elsewhere, changed(tmp_path, change))
        assert "nothing was imported" in str(told.value) or "shorten it" in str(told.value), name
        assert "\n" not in str(told.value), name
        assert machines(elsewhere) == samples(elsewhere) == (), name
    bring_in(elsewhere, tmp_path / "all.zip")
    assert len(samples(elsewhere)) == 1


def test_files_that_are_no_export_are_told(exported, elsewhere, tmp_path):
    del exported
    whole = (tmp_path / "all.zip").read_bytes()
    for data in (b"", b"no zip", whole[: len(whole) // 2], whole[:-30]):
        (tmp_path / "bad.zip").write_bytes(data)
        with pytest.raises(UserError, match="is not a whole export of a service record"):
            bring_in(elsewhere, tmp_path / "bad.zip")
    with pytest.raises(UserError, match=r"Cannot read .*no such file"):
        bring_in(elsewhere, tmp_path / "missing.zip")
    with pytest.raises(UserError, match="exported by a newer version"):
        bring_in(elsewhere, changed(tmp_path, document(lambda told: told.update(version=4))))


def test_names_in_a_zip_are_never_paths(exported, elsewhere, tmp_path):
    del exported

    def slip(members: dict[str, bytes]) -> None:
        members["../../slipped.txt"] = b"x"
        (name,) = [each for each in members if each.startswith("photos/")]
        members[f"photos/../../../{Path(name).name}"] = members.pop(name)

    bring_in(elsewhere, changed(tmp_path, slip))

    assert not list(tmp_path.parent.rglob("slipped.txt"))
    assert all(len(path.name) == 64 for path in elsewhere.photos.files())


def test_a_zip_that_would_swell_is_refused_unread(exported, elsewhere, tmp_path, monkeypatch):
    """Judged by the size that the zip states, before a byte is unpacked."""
    del exported
    monkeypatch.setattr("triage.record.bring_in.MOST_JSON", 1_000_000)
    path = changed(tmp_path, spoil("record.json", b" " * 1_000_001))
    monkeypatch.setattr(zipfile.ZipFile, "open", lambda *_: pytest.fail("it was unpacked"))

    with pytest.raises(UserError, match=r"record\.json: 1000001 bytes"):
        bring_in(elsewhere, path)


def test_an_export_that_cannot_be_written_leaves_nothing(here, tmp_path):
    fill(here, invented(tmp_path, 5))
    (tmp_path / "out").mkdir()
    for target in (tmp_path / "nowhere" / "all.zip", tmp_path / "out"):
        with pytest.raises(UserError, match="Cannot write"):
            export(here, target)

    assert not list(tmp_path.glob(".*part"))


def test_a_photo_that_is_gone_is_told_and_the_rest_exported(here, tmp_path):
    fill(here, invented(tmp_path, 5))
    (photo,) = here.photos.files()
    photo.write_bytes(b"damaged")

    assert export(here, tmp_path / "all.zip").missing == (photo.name,)
