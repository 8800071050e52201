"""The second shipped model with its airspeed by another route, on the shipped bench with that route wired."""

from importlib.resources import files

PIN = "J2-11"
TEXT_TABLES = ("[airspeed]", "# A limit with one side is open")
ANALOGUE = f"""[airspeed]
route = "analogue"
lost = "3 s"

[airspeed.analogue]
pin = "{PIN}"
low = {{ airspeed = "0 kt", voltage = "0.5 V" }}
high = {{ airspeed = "200 kt", voltage = "4.5 V" }}
pull-voltage = "0 V"
pull-resistance = "100 kohm"
lost-below = "0.25 V"

"""
SWITCH = f"""[airspeed]
route = "switch"

[airspeed.switch]
pin = "{PIN}"
closed-when = "fast"
rising = "85 kt"
falling = "80 kt"

"""
WIRED = 'text = { pin = "J2-11", monitor-input = 6 }\n'
SIGNAL = '"light-3.voltage" = { input = 16,'
STIMULUS = 'rheostat-1 = { output = 3, pin = "J2-4" }'
CONTACT = 'light-3-switch = { digital-output = 4, digital-input = 5, pin = "J2-10" }'
AIRSPEED_SIGNAL = (
    f'"airspeed.voltage" = {{ input = 17, range = "10 V", probe = "volts", plus = "{PIN}", minus = "J1-3" }}'
)
VOLTAGE_WIRES = (
    (SIGNAL, f"{AIRSPEED_SIGNAL}\n{SIGNAL}"),
    (STIMULUS, f'{STIMULUS}\nairspeed = {{ output = 4, pin = "{PIN}" }}'),
)
CONTACT_WIRES = ((CONTACT, f'{CONTACT}\nairspeed = {{ digital-output = 5, digital-input = 6, pin = "{PIN}" }}'),)
SWITCHED = (('slow-airspeed = "150 kt"', 'slow-airspeed = "85 kt"'),)
SIGNALS = "[adapters.sanderling-2.signals]"
UNUSED = f'[adapters.sanderling-2.unused]\n{PIN} = "no serial port on this bench"\n\n{SIGNALS}'


def _shipped(kind, name):
    return (files(kind) / name).read_text(encoding="utf-8")


def edited(text, *edits):
    for old, new in edits:
        assert old in text, f"there is no {old!r} to change"
        text = text.replace(old, new, 1)
    return text


def unit_text(tables=None, *edits):
    """Return the unit sheet; `tables` in place of the text route's."""
    text = _shipped("test_plans", "units/sanderling-2.toml")
    if tables is not None:
        before, _, rest = text.partition(TEXT_TABLES[0])
        text = before + tables + TEXT_TABLES[1] + rest.partition(TEXT_TABLES[1])[2]
    return edited(text, *edits)


def bench_text(*edits, wired=False):
    """Return the bench sheet with the text line taken off this model's adapter, unless `wired`."""
    text = _shipped("bench", "benches/simulated.toml")
    if not wired:
        head, _, defects = edited(text, (WIRED, "")).partition('[[simulation.defects]]\nid = "airspeed-line-dead"')
        assert "airspeed-line-rate" in defects
        text = head
    return edited(text, *edits)


def with_dead_stimulus(text):
    """Return a bench sheet in whose catalogue the airspeed voltage is dead."""
    return text + (
        '\n[[simulation.defects]]\nid = "airspeed-dead"\ntitle = "Airspeed voltage dead"\n'
        'findings = ["bench-check.stimulus-lines"]\n'
        'kind = "stimulus-dead"\ntarget = "airspeed"\n'
    )


def by_voltage(folder, *unit_edits):
    """Write unit and bench sheet for airspeed by voltage; return their paths as words of the command line."""
    bench = with_dead_stimulus(bench_text(*VOLTAGE_WIRES))
    return _written(folder, unit_text(ANALOGUE, *unit_edits), bench)


def by_contact(folder, *unit_edits):
    """Write unit and bench sheet for airspeed by a contact."""
    return _written(folder, unit_text(SWITCH, *SWITCHED, *unit_edits), bench_text(*CONTACT_WIRES))


def by_text(folder, *unit_edits):
    """Write unit and bench sheet for airspeed by text, as shipped but for the edits."""
    return _written(folder, unit_text(None, *unit_edits), bench_text(wired=True))


def unwired(folder):
    """Write the shipped unit sheet and a bench sheet without its text line."""
    bench = bench_text((SIGNALS, UNUSED))
    return _written(folder, unit_text(), bench)


def _written(folder, unit, bench):
    (folder / "unit.toml").write_text(unit, encoding="utf-8")
    (folder / "bench.toml").write_text(bench, encoding="utf-8")
    return "--bench", str(folder / "bench.toml"), "--model", str(folder / "unit.toml")
