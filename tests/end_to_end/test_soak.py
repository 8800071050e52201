"""A minute of soak from the command line: what the bench does to it meanwhile is never put down to the unit."""

from command_line import verify
from injected_faults import a_minute_of_soak, injected


def host_hears_nothing(plant):
    plant.take_frames = list


def test_a_host_that_falls_silent_in_a_soak_is_found_out_and_no_drift_is_lost_by_it(monkeypatch, tmp_path):
    injected(monkeypatch, at=("soak", 30.0, host_hears_nothing))
    document = verify(tmp_path, "--plan", a_minute_of_soak(tmp_path)).document()
    found = {finding["id"]: finding for finding in document["findings"]}
    assert (document["verdict"], document["cause"]) == ("inconclusive", "bench")
    for name in ("soak.reports", "soak.no-reset"):
        assert (found[name]["verdict"], found[name]["cause"]) == ("inconclusive", "bench")
    assert found["soak.hold-up.drift"]["verdict"] == "pass"
    assert not [finding for finding in document["findings"] if finding["cause"] == "unit"]
