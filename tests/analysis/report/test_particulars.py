"""Title block and sources of limits: only what is given has a box, and every source is named in full."""

from dataclasses import replace

import pytest
from sample_summary import passing_summary, sample_summary, unit_findings

from analysis.report.particulars import CELLS_IN_ROW, SOURCES_CHARACTERS, limit_sources, particulars, title_block

OPTIONAL = ("part", "modification", "firmware", "ambient")


def test_what_nobody_gave_has_no_box_and_no_line():
    bare = passing_summary(**dict.fromkeys(OPTIONAL, ""))
    for labels in ([cell.label for cell in title_block(bare)], [label for label, _ in particulars(bare)]):
        assert not {"Part", "Modification", "Firmware", "Ambient"} & set(labels)
        assert {"Aircraft", "Operator", "Work order", "Record"} <= set(labels)
    given = {cell.label: cell.text for cell in title_block(passing_summary())}
    assert (given["Part"], given["Modification"], given["Firmware"]) == ("DT6-14", "B", "2.3")
    assert given["Ambient"] == "21.4 degC, 46 % RH"


def test_an_operator_nobody_named_is_said_not_to_be_given():
    cells = {cell.label: cell.text for cell in title_block(passing_summary(operator=""))}
    assert cells["Operator"] == "not given"


@pytest.mark.parametrize("given", range(len(OPTIONAL) + 1))
def test_boxes_fill_their_rows_and_the_record_has_room_for_its_name(given):
    cells = title_block(passing_summary(**dict.fromkeys(OPTIONAL[given:], "")))
    assert sum(cell.columns for cell in cells) % CELLS_IN_ROW == 0
    assert cells[-1].label == "Record"
    assert cells[-1].columns >= 2
    taken = 0
    for cell in cells:  # none is broken over two rows
        assert taken % CELLS_IN_ROW + cell.columns <= CELLS_IN_ROW
        taken += cell.columns


def test_a_text_too_long_for_a_box_gets_a_wider_one_and_is_not_cut():
    configuration = "1606, trim-reversal 0, dimming-selection 44"
    summary = passing_summary(configuration_found=configuration, configuration_left=configuration)
    (cell,) = (cell for cell in title_block(summary) if cell.label == "Configuration")
    assert (cell.text, cell.columns, cell.lines) == (configuration, 2, 1)
    summary = passing_summary(configuration_found=configuration, configuration_left=f"7 {'x' * 70}")
    cells = title_block(summary)
    (cell,) = (cell for cell in cells if cell.label == "Configuration")
    assert (cell.columns, cell.lines) == (3, 2)
    assert cell.text == f"found: {configuration}; left: 7 {'x' * 70}"
    taken = 0
    for cell in cells:
        assert taken % CELLS_IN_ROW + cell.columns <= CELLS_IN_ROW
        taken += cell.columns
    assert taken % CELLS_IN_ROW == 0


def test_every_source_of_limits_is_named_with_its_date_most_used_first():
    first, *rest = unit_findings()
    other = replace(first, limit_source="service letter 7, 2026-02-01")
    sources = limit_sources(sample_summary(findings=(other, *rest)))
    assert sources == ("invented for the demo, 2026-11-25", "service letter 7, 2026-02-01")


def test_more_sources_than_the_page_has_room_for_are_counted():
    letters = [f"letter {n} {'x' * 90}, 2026-02-01" for n in range(5)]
    findings = tuple(replace(f, limit_source=letter) for f, letter in zip(unit_findings(), letters, strict=False))
    *shown, last = limit_sources(sample_summary(findings=findings))
    assert shown == letters[:2]
    assert last == "and 3 more, see the table of values"


def test_a_source_longer_than_the_room_is_cut_rather_than_left_out():
    finding = replace(unit_findings()[0], limit_source="x" * 999)
    (source,) = limit_sources(sample_summary(findings=(finding,)))
    assert len(source) == SOURCES_CHARACTERS
