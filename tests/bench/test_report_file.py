"""A report goes over a report, and over nothing else unless that is asked for."""

import pytest
from sample_summary import passing_summary

from analysis.report import render_report
from bench.errors import UsageError
from bench.records.journal import JOURNAL_NAME
from bench.report_file import check_target, write_report

REPORT = render_report(passing_summary())


def test_a_new_file_and_a_report_of_ours_may_be_written(tmp_path):
    target = tmp_path / "a.html"
    for _ in range(2):
        check_target(target, replace=False)
        write_report(target, REPORT)
    assert target.read_text() == REPORT
    assert list(tmp_path.iterdir()) == [target]


def test_what_is_no_report_is_written_over_only_when_asked(tmp_path):
    target = tmp_path / "thesis.html"
    target.write_text("<html>all my work</html>")
    with pytest.raises(UsageError, match=r"no report of boxproof.*--replace"):
        check_target(target, replace=False)
    check_target(target, replace=True)


def test_a_folder_is_never_a_target(tmp_path):
    for replace in (False, True):
        with pytest.raises(UsageError, match="is no file"):
            check_target(tmp_path, replace=replace)


def test_no_record_gets_a_file_of_another(tmp_path):
    (tmp_path / JOURNAL_NAME).touch()
    with pytest.raises(UsageError, match="a record is closed"):
        check_target(tmp_path / "captures" / "a.html", replace=True)


def test_a_folder_that_is_not_there_is_told(tmp_path):
    with pytest.raises(UsageError, match="No such file or directory"):
        write_report(tmp_path / "missing" / "a.html", REPORT)
