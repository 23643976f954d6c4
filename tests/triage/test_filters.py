"""The shop's filter list: what comes with the program, and plain words for what is wrong in an edited one."""

import pytest

from triage.errors import UserError
from triage.filters import Filter, load_filters, packaged_list

GOOD = """# ours
[[filter]]
rating_um = 75
element = "screen"
meaning = "opening"

[[filter]]
rating_um = 30
element = "paper"   # pleated
meaning = "nominal"
shelf_number = "B-12"
"""


def write(folder, text):
    path = folder / "filters.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_packaged_list_holds_two_screens_and_four_papers():
    filters = load_filters(packaged_list())
    assert [(entry.rating_um, entry.element) for entry in filters] == [
        (150, "screen"),
        (75, "screen"),
        (30, "paper"),
        (25, "paper"),
        (15, "paper"),
        (10, "paper"),
    ]


def test_an_edited_list_is_read_coarsest_first(tmp_path):
    path = write(tmp_path, GOOD.replace("= 75", "= 20.5"))
    assert load_filters(path) == (
        Filter(30.0, "paper", "nominal", "", "B-12"),
        Filter(20.5, "screen", "opening"),
    )


def test_the_shops_own_copy_in_the_data_folder_is_used(tmp_path, monkeypatch):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path))
    assert len(load_filters()) == 6
    write(tmp_path, GOOD)
    assert [entry.rating_um for entry in load_filters()] == [75, 30]


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ("= 75", '= "75"', 3, "rating_um must be a number of microns from 1 to 2000, got '75'"),
        ("= 30", "= 0", 8, "rating_um must be a number of microns from 1 to 2000, got 0"),
        ("= 30", "= nan", 8, "rating_um must be a number"),
        ("= 30", "= true", 8, "rating_um must be a number"),
        ('"paper"', '"felt"', 9, 'element must be one of "screen" or "paper", got \'felt\''),
        ('"nominal"', '"opening"', 10, 'meaning must be "nominal" or "absolute" or "unknown"'),
        ('"opening"', '"nominal"', 5, 'meaning must be "opening" for this element'),
        ("shelf_number =", "shelf =", 11, "shelf is not known; use rating_um, element, meaning, note"),
        ('"B-12"', "12", 11, "shelf_number must be text in quotes, got 12"),
        ('meaning = "nominal"\n', "", 7, "meaning is missing; add it to this block"),
        ("rating_um = 30\n", "", 7, "rating_um is missing"),
        ('"paper"', "[1]", 9, "element must be one of"),
    ],
)
def test_a_wrong_entry_is_named_by_its_line(tmp_path, old, new, line, said):
    path = write(tmp_path, GOOD.replace(old, new))
    with pytest.raises(UserError) as raised:
        load_filters(path)
    assert f"line {line}: {said}" in str(raised.value)
    assert str(path) in str(raised.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[filter]]\nrating_um = = 3\n", "line 2"),
        ("", "names no filter"),
        ("filter = 3\n", "names no filter"),
        ("filter = [1, 2]\n", "names no filter"),
    ],
)
def test_a_file_that_is_no_filter_list_is_refused(tmp_path, text, said):
    with pytest.raises(UserError, match=said):
        load_filters(write(tmp_path, text))


def test_a_wrong_entry_in_an_inline_list_is_named_by_the_line_of_the_list(tmp_path):
    path = write(tmp_path, '# one line\nfilter = [{rating_um = 5, element = "screen"}]\n')
    with pytest.raises(UserError, match="line 2: meaning is missing"):
        load_filters(path)


def test_a_missing_or_unreadable_file_is_one_plain_sentence(tmp_path):
    binary = tmp_path / "photo.toml"
    binary.write_bytes(b"\xff\xd8\xff\xe0")
    for path in (tmp_path / "none.toml", tmp_path, binary):
        with pytest.raises(UserError, match="cannot be read; give the path of a TOML text file"):
            load_filters(path)
