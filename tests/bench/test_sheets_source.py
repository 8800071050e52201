import hashlib
import pickle

import pytest

from bench.errors import Problem, SheetError
from bench.sheets import load_unit
from bench.sheets.source import read_source


def refused(path):
    with pytest.raises(SheetError) as refusal:
        read_source(path, "x.toml")
    return str(refusal.value)


def test_a_sheet_comes_with_the_digest_of_its_bytes(tmp_path):
    path = tmp_path / "x.toml"
    path.write_bytes(b'a = "1 V"\r\n')
    source = read_source(path, "x.toml")
    assert source.data == {"a": "1 V"}
    assert source.digest == hashlib.sha256(b'a = "1 V"\r\n').hexdigest()


def test_a_byte_order_mark_is_no_fault(tmp_path):
    path = tmp_path / "x.toml"
    path.write_bytes(b"\xef\xbb\xbfa = 1\n")
    assert read_source(path, "x.toml").data == {"a": 1}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b'a = "1\n', "x.toml: does not parse as TOML: line 1"),
        (b"a = 1\na = 2\n", "x.toml: does not parse as TOML: line 2"),
        (b"ok = 1\nb = '\xff\xfe'\n", "x.toml: line 2 is not UTF-8 text; save the file as UTF-8"),
        (b"\x89PNG\r\n\x1a\n", "x.toml: line 1 is not UTF-8 text"),
        (b'a = "bell \\u0007"\n', 'x.toml: a: "bell \\x07" holds a control or invisible character'),
        (b'a = ["x", "y\\nz"]\n', "x.toml: a[1]:"),
        (b'[t]\n"k\\u202e" = 1\n', "x.toml: t: the key"),
        (b"a = " + b"[\n" * 5000 + b"]" * 1000, "x.toml: does not parse as TOML: nested too deeply"),
        (b".".join([b"a"] * 30) + b" = 1\n", "x.toml: does not parse as TOML: nested too deeply"),
        (b".".join([b"a"] * 20000) + b" = 1\n", "x.toml: line 1 is longer than 2000 characters"),
        (b"# " + b"x\n" * 500_000, "x.toml: is larger than 1 MB"),
    ],
    ids=[
        "unclosed",
        "twice",
        "not text",
        "binary",
        "control",
        "line break",
        "hidden key",
        "deep",
        "dotted",
        "long",
        "huge",
    ],
)
def test_what_is_no_sheet_is_refused_with_its_place(tmp_path, content, said):
    path = tmp_path / "x.toml"
    path.write_bytes(content)
    assert said in refused(path)


def test_all_unfit_texts_are_named_at_once(tmp_path):
    path = tmp_path / "x.toml"
    path.write_text('a = "\\u0000"\nb = "\\u001b[31m"\n')
    assert [line.split(":")[1].strip() for line in refused(path).splitlines()] == ["a", "b"]


def test_a_folder_is_no_sheet(tmp_path):
    assert refused(tmp_path) == "x.toml: is a folder; name the TOML file in it"


def test_a_missing_file_is_said_to_be_missing(tmp_path):
    assert "x.toml: there is no such file" in refused(tmp_path / "none.toml")


def test_a_path_that_no_system_takes_is_refused(tmp_path):
    assert "x.toml:" in refused(tmp_path / "a\0b.toml")


def test_an_unknown_name_lists_what_there_is():
    there = r'there is no model "doterel"; there is: dotterel-6, sanderling-2; or give a file'
    with pytest.raises(SheetError, match=there):
        load_unit("doterel")


@pytest.mark.parametrize("name", ["", "..", "dotterel-6\n", "DOTTEREL-6"])
def test_a_name_that_is_none_never_leaves_the_shipped_folder(name):
    with pytest.raises(SheetError, match="there is no model"):
        load_unit(name)


@pytest.mark.parametrize("path", ["./dotterel-6", "sub\\dotterel-6", "dotterel-6.toml"])
def test_a_separator_or_suffix_makes_it_a_file(path):
    with pytest.raises(SheetError, match="there is no such file"):
        load_unit(path)


def test_a_sheet_error_keeps_its_problems_across_a_process():
    error = SheetError([Problem("a.toml", "k", "is wrong", "mend it"), Problem("a.toml", "", "is odd", "look")])
    copy = pickle.loads(pickle.dumps(error))  # noqa: S301  (our own bytes)
    assert copy.problems == error.problems
    assert str(copy) == "a.toml: k: is wrong; mend it\na.toml: is odd; look"


def test_a_sheet_error_without_a_problem_is_a_mistake():
    with pytest.raises(ValueError, match="at least one"):
        SheetError([])
