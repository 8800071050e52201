import shutil
import subprocess

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.errors import RecordError
from bench.records.manifest import verify_manifest, write_manifest


@pytest.fixture
def sealed(tmp_path):
    folder = tmp_path / "record"
    (folder / "captures").mkdir(parents=True)
    (folder / "record.json").write_bytes(b"{}\n")
    (folder / "captures" / "0001-x.parquet").write_bytes(bytes(range(256)))
    write_manifest(folder)
    return folder


def test_an_untouched_record_verifies(sealed):
    assert verify_manifest(sealed) == ()
    lines = (sealed / "MANIFEST").read_text().splitlines()
    # SHA-256 of "{}\n", as the sha256sum tool of GNU coreutils prints it
    assert lines[1] == "ca3d163bab055381827226140568f3bef7eaac187cebd76878e0b63e9e442356  record.json"
    assert [line.split("  ")[1] for line in lines] == ["captures/0001-x.parquet", "record.json"]


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="the tool is not on this machine")
def test_the_common_tool_checks_it_too(sealed):
    subprocess.run(["sha256sum", "--check", "--strict", "MANIFEST"], cwd=sealed, check=True, capture_output=True)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_one_changed_byte_in_any_file_is_found(sealed, data):
    names = ["record.json", "captures/0001-x.parquet", "MANIFEST"]
    path = sealed / data.draw(st.sampled_from(names))
    content = path.read_bytes()
    position = data.draw(st.integers(0, len(content) - 1))
    altered = bytearray(content)
    altered[position] ^= data.draw(st.integers(1, 255))
    path.write_bytes(altered)
    problems = verify_manifest(sealed)
    path.write_bytes(content)
    assert problems
    assert verify_manifest(sealed) == ()


def test_missing_and_added_files_are_named(sealed):
    (sealed / "record.json").unlink()
    (sealed / "captures" / "0002-y.parquet").write_bytes(b"")
    assert verify_manifest(sealed) == (
        "captures/0002-y.parquet: was added after the record was closed",
        "record.json: the record was closed with it, and it is missing",
    )


def test_without_a_manifest_nothing_verifies(tmp_path):
    with pytest.raises(RecordError, match="MANIFEST: can't be read"):
        verify_manifest(tmp_path)
