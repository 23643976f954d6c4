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


def test_the_packaged_list_holds_the_trades_screens_and_papers():
    filters = load_filters(packaged_list())
    assert [(entry.rating_um, entry.element) for entry in filters] == [
        (150, "screen"),
        (75, "screen"),
        (30, "paper"),
        (25, "paper"),
        (15, "paper"),
        (11, "paper"),
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
    assert len(load_filters()) == 7
    write(tmp_path, GOOD)
    assert [entry.rating_um for entry in load_filters()] == [75, 30]


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        (
            "= 75",
            '= "75"',
            3,
            "rating_um must be a number of microns from 1 to 2000, or two, the finer first: [7, 11]",
        ),
        ("= 30", "= 0", 8, "rating_um must be a number of microns from 1 to 2000, or two, the finer first"),
        ("= 30", "= nan", 8, "rating_um must be a number"),
        ("= 30", "= true", 8, "rating_um must be a number"),
        ('"paper"', '"felt"', 9, 'element must be one of "screen", "paper", got \'felt\''),
        ('"nominal"', '"opening"', 10, 'meaning must be "nominal" or "absolute" or "beta" or "unknown"'),
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
        ("", "has no \\[\\[filter\\]\\] block"),
        ("filter = 3\n", "has no \\[\\[filter\\]\\] block"),
        ("filter = [1, 2]\n", "has no \\[\\[filter\\]\\] block"),
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


FULL = """[[filter]]
rating_um = [7, 11]
element = "paper"
meaning = "beta"
beta = 75
size_class = "compact"
area_mm2 = 900
hose_bores_mm = [6.35, 7.94]
direction = "arrow"
housing = "opaque"
feeds = ["pulse", "pump"]
clean_flow_l_h = 5
clean_loss_pa = 350
shelf_number = "C-3"
"""


def test_all_that_can_be_said_of_a_filter_is_read(tmp_path):
    (entry,) = load_filters(write(tmp_path, FULL))
    assert (entry.rating_um, entry.finest_um, entry.rating) == (11.0, 7.0, "7-11")
    assert (entry.beta, entry.area_mm2, entry.size_class) == (75, 900, "compact")
    assert entry.hose_bores_mm == (6.35, 7.94)
    assert entry.feeds == ("pulse", "pump")
    assert (entry.direction, entry.housing, entry.shelf_number) == ("arrow", "opaque", "C-3")
    assert (entry.clean_flow_l_h, entry.clean_loss_pa) == (5, 350)


def test_the_packaged_list_says_what_the_trade_says():
    """Common practice, no source: screens either way round, papers by their arrow, the big ones for twins."""
    filters = {entry.rating: entry for entry in load_filters(packaged_list())}
    assert {filters[um].direction for um in ("150", "75")} == {"either"}
    assert {filters[um].direction for um in ("30", "25", "15", "10", "7-11")} == {"arrow"}
    assert {filters[um].size_class for um in ("15", "10")} == {"large"}
    assert filters["7-11"].size_class == "compact"
    assert filters["150"].feeds == ("gravity",)
    assert not any(entry.shelf_number or entry.clean_loss_pa for entry in filters.values())
    assert "common practice in the trade, no source" in packaged_list().read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        (
            "[7, 11]",
            "[11, 7]",
            2,
            "rating_um must be a number of microns from 1 to 2000, or two, the finer first",
        ),
        ("[7, 11]", "[7]", 2, "rating_um must be"),
        ("[7, 11]", "[7, [8, 9]]", 2, "rating_um must be"),
        ("beta = 75", "beta = 1", 5, "beta must be a beta ratio above 1, such as 75"),
        ("beta = 75\n", "", 1, 'beta and meaning = "beta" belong together'),
        ('meaning = "beta"', 'meaning = "absolute"', 5, 'beta and meaning = "beta" belong together'),
        ('"compact"', '"tiny"', 6, 'size_class must be one of "compact", "standard", "large"'),
        ("= 900", '= "900"', 7, "area_mm2 must be a number of mm2"),
        ("[6.35, 7.94]", "6.35", 8, "hose_bores_mm must be a list such as [6.35, 7.94]"),
        ('"arrow"', '"left"', 9, 'direction must be one of "either", "arrow"'),
        ('"opaque"', '"red"', 10, 'housing must be one of "clear", "opaque"'),
        ('["pulse", "pump"]', '["pulse", "wick"]', 11, "feeds must be a list of some of"),
        ("clean_flow_l_h = 5\n", "", 12, "clean_loss_pa says nothing without clean_flow_l_h"),
        ("= 350", "= -1", 13, "clean_loss_pa must be a number of pascals"),
        ("beta = 75", "finest_um = 7", 5, "finest_um is not known"),
    ],
)
def test_a_wrong_further_entry_is_named_by_its_line(tmp_path, old, new, line, said):
    with pytest.raises(UserError) as raised:
        load_filters(write(tmp_path, FULL.replace(old, new)))
    assert f"line {line}: {said}" in str(raised.value)
