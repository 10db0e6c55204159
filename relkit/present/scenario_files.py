"""Scenarios saved as TOML files that appear whole or not at all.

Layer: present.
"""

from __future__ import annotations

import re
from pathlib import Path

from relkit.present.atomic import write_bytes
from relkit.whatif.scenario import Scenario
from relkit.whatif.scenario_files import scenario_text

__all__ = ["scenario_file_name", "write_scenario"]


def write_scenario(scenario: Scenario, path: str | Path) -> Path:
    """Write a scenario to a TOML file that ``read_scenario`` reads back.

    Raises
    ------
    OSError
        The folder cannot be made or written to.
    """
    return write_bytes(path, scenario_text(scenario).encode("utf-8"))


def scenario_file_name(name: str) -> str:
    """Return a file name for a scenario's name.

    >>> scenario_file_name("Batch M3 replaced now")
    'batch_m3_replaced_now.toml'
    """
    plain = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
    return f"{plain[:60].strip('_') or 'scenario'}.toml"
