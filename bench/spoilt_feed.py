"""Defects of what feeds the unit: supply and dip source, the bus switch, the contactor, and the clamp behind it."""

from dataclasses import replace

from bench.sheets.bench_file import SOURCE_DEFECTS
from bench.sheets.bench_sheet import BenchSheet
from bench.sheets.simulation_sheet import BenchDefect
from instruments.simulated.parameters import BenchParameters, SupplyParameters
from test_plans.rig import Source

HARD_SEVERITY = 0.5  # a defect that is there or not (a lead open, a line dead) is there from this severity on
LEAST_PART = 0.001  # of a slew or a limit: one that stands still altogether is another defect


def spoilt_feed(bench: BenchParameters, sheet: BenchSheet, defect: BenchDefect, severity: float) -> BenchParameters:
    """Return the bench with one defect of what feeds the unit; as it was where it has no such source."""
    if defect.kind not in SOURCE_DEFECTS:
        return _spoilt_path(bench, sheet, defect, severity)
    if defect.target == Source.SUPPLY.value:
        return replace(bench, supply=_spoilt(bench.supply, defect, severity))
    if bench.dip_source is None:
        return bench
    return replace(bench, dip_source=_spoilt(bench.dip_source, defect, severity))


def _spoilt(source: SupplyParameters, defect: BenchDefect, severity: float) -> SupplyParameters:
    if defect.kind == "source-sinks-nothing":
        return replace(source, sink_current_a=0.0 if severity >= HARD_SEVERITY else source.sink_current_a)
    if defect.kind == "source-resistance":
        return replace(source, source_resistance_ohm=source.source_resistance_ohm + severity * defect.value)
    if defect.kind == "source-off":
        # Its meter shares the reference that is off, so that it shows what was set.
        off_v = severity * defect.value
        return replace(
            source,
            set_offset_v=source.set_offset_v + off_v,
            voltage_reading_offset_v=source.voltage_reading_offset_v - off_v,
        )
    part = max(LEAST_PART, 1.0 - severity * (1.0 - defect.value))
    if defect.kind == "source-folds-back":
        return replace(source, folds_back_to=part)
    up_v_per_s, down_v_per_s = part * source.slew_up_v_per_s, part * source.slew_down_v_per_s
    return replace(source, slew_up_v_per_s=up_v_per_s, slew_down_v_per_s=down_v_per_s)


def _spoilt_path(bench: BenchParameters, sheet: BenchSheet, defect: BenchDefect, severity: float) -> BenchParameters:
    path, daq, hard = bench.path, bench.daq, severity >= HARD_SEVERITY
    if defect.kind == "switch-resistance":
        series_ohm = {**path.series_ohm, defect.target: path.series_ohm[defect.target] + severity * defect.value}
        return replace(bench, path=replace(path, series_ohm=series_ohm))
    if defect.kind in {"switch-dead", "switch-welded"}:
        output = sheet.paths[defect.target]
        dead, welded = hard and defect.kind == "switch-dead", hard and defect.kind == "switch-welded"
        relay = replace(daq.digital_outputs[output], dead=dead, welded=welded)
        return replace(bench, daq=replace(daq, digital_outputs={**daq.digital_outputs, output: relay}))
    figure = severity * defect.value
    spoilt = {
        "ground-lead": replace(path, negative_ohm=path.negative_ohm + figure),
        "switch-late": replace(path, break_s=path.break_s + figure),
        "switch-bounces": replace(path, bounce_s=figure),
        "contactor-chatters": replace(path, chatter_s=figure),
        "clamp-open": replace(path, given_back_a=figure),
    }
    return replace(bench, path=spoilt[defect.kind])
