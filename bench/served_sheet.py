"""The sheet of a simulated bench rewritten for whoever reaches it from outside: addresses, and no simulation in it.

Lines are replaced and the rest is kept as it was written, comments included, so that the sheet reads like its source.
"""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

HEADER = re.compile(r"\s*\[\[?\s*([^\]]+?)\s*\]\]?\s*(#.*)?")
KEY = re.compile(r"\s*([A-Za-z-]+)\s*=\s*(\"[^\"]*\"|\w+)(.*)")
SIMULATION = "simulation"


@dataclass(frozen=True, slots=True, kw_only=True)
class Addresses:
    """Where each instrument of the bench is reached; "" for one that the bench has not."""

    supply: str
    daq: str
    dip_source: str = ""
    electronic_load: str = ""
    bus_interface: str = ""
    bus_channel: str = ""
    text_line: str = ""

    def by_table(self) -> dict[str, dict[str, str]]:
        """Return the values to be replaced, by table and key; what has no address is left as it stands."""
        tables = {
            "supply": {"resource": self.supply},
            "dip-source": {"resource": self.dip_source},
            "electronic-load": {"resource": self.electronic_load},
            "daq": {"url": self.daq},
            "bus": {"interface": self.bus_interface, "channel": self.bus_channel},
            "text-line": {"url": self.text_line},
        }
        return {table: values for table, values in tables.items() if all(values.values())}


def served_sheet(text: str, addresses: Addresses) -> str:
    """Return the text of the bench sheet that reaches a served bench.

    Args:
        text: of the simulated bench's sheet.
        addresses: of its instruments as they are served.

    Raises:
        ValueError: the sheet is written in a way this can't follow, such as a table in one line.
    """
    wanted = addresses.by_table()
    lines, table = [], ""
    for line in text.splitlines():
        if header := HEADER.fullmatch(line):
            table = header.group(1)
        if table == SIMULATION or table.startswith(f"{SIMULATION}."):
            continue
        key = KEY.fullmatch(line)
        if key is not None and not table and key.group(1) == "simulated":
            lines.append(f"simulated = false{key.group(3)}")
        elif key is not None and key.group(1) in wanted.get(table, {}):
            lines.append(f'{key.group(1)} = "{wanted[table][key.group(1)]}"{key.group(3)}')
        else:
            lines.append(line)
    rewritten = "\n".join(lines).rstrip() + "\n"
    if tomllib.loads(rewritten) != _expected(tomllib.loads(text), wanted):
        raise ValueError(
            "the sheet's addresses stand in a way that can't be rewritten; write each on a line of its own"
        )
    return rewritten


def _expected(data: dict[str, Any], wanted: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    """Return what the sheet must hold when it is rewritten."""
    expected = {key: value for key, value in data.items() if key != SIMULATION}
    expected["simulated"] = False
    for table, values in wanted.items():
        if table in expected:
            expected[table] = {**expected[table], **values}
    return expected
