"""The demo written out: study, log, register, readings, inspections, truth and key.

Layer: demo. Each file is written under a temporary name and renamed; the study file comes last.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from relkit.demo.dirt import dirty_rows
from relkit.demo.dirt_tables import (
    dirty_inspections,
    dirty_readings,
    dirty_register,
    faulty_job_readings,
    meter_faults,
)
from relkit.demo.exports import csv_text, exported_log, key_rows
from relkit.demo.frames import clean_tables, demo_history
from relkit.demo.histories import Scenario
from relkit.demo.jobs import JOB_COLUMNS
from relkit.demo.spelling import misspelt
from relkit.demo.study_text import clean_study_text, dirty_study_text
from relkit.demo.truth import truth_frame

__all__ = ["write_clean_demo", "write_demo", "write_dirty_demo"]


def write_demo(folder: str | Path, *, seed: int = 1, size: float = 1.0) -> tuple[Path, Path]:
    """Write the clean and the dirty log of a made-up fleet into ``clean`` and ``dirty``.

    Parameters
    ----------
    folder : str or Path
        Made if it is not there; files of the same names are replaced.
    seed : int
        The same seed and size give the same bytes.
    size : float
        Factor on the number of vehicles, above 0: 1 is 72 vehicles. [1]

    Returns
    -------
    tuple of Path
        The study files of the clean and of the dirty log.

    Raises
    ------
    ValueError
        The size is not finite or not above 0, or the seed is negative.
    OSError
        The folder cannot be written.
    """
    folder = Path(folder)
    clean = write_clean_demo(folder / "clean", seed=seed, size=size)
    return clean, write_dirty_demo(folder / "dirty", seed=seed, size=size)


def write_clean_demo(
    folder: str | Path, *, seed: int = 1, size: float = 1.0, extras: bool = True
) -> Path:
    """Write a study with a clean log and return its path; see :func:`write_demo`.

    ``extras`` as in :func:`relkit.demo.frames.demo_fleet`.
    """
    fleet, rows = clean_tables(seed, size=size, extras=extras)
    files = {
        "log.csv": _csv(rows[list(JOB_COLUMNS)]),
        "register.csv": _csv(fleet.register),
        "readings.csv": _csv(fleet.readings),
        "inspections.csv": _csv(fleet.inspections),
        "truth.csv": _csv(fleet.truth),
        "key.csv": _csv(key_rows(rows.assign(planted=""), "log.csv", "log", 2)),
        "study.toml": clean_study_text().encode(),
    }
    return _written(Path(folder), files)


def write_dirty_demo(folder: str | Path, *, seed: int = 1, size: float = 1.0) -> Path:
    """Write a study with a dirty log and return its path; see :func:`write_demo`.

    The key tells the true class of every row of the log, and of the rows of the other files on
    which a problem was planted.
    """
    history = demo_history(seed, size=size, scenario=Scenario(shared_jobs=True))
    rngs = [np.random.default_rng([seed, stage]) for stage in range(10, 16)]
    rows = dirty_rows(history, rngs[0], size=size)
    wrong_year = rows["planted"].str.contains("date before in-service")
    register = dirty_register(
        history, rows.loc[wrong_year, "position"].to_numpy(), rngs[1], size=size
    )
    rows = ends_of_unknown_starts(rows, register)
    faults = meter_faults(history, rngs[2], size=size)
    rows = misspelt(faulty_job_readings(rows, history, faults, rngs[3]), rngs[4])
    log, key = exported_log(rows)
    tables = {
        "register": register.drop(columns="start_known"),
        "readings": dirty_readings(history, faults, rngs[5]),
        "inspections": dirty_inspections(history, np.random.default_rng([seed, 4])),
    }
    keys = [key, *(_key_of_table(kind, table) for kind, table in tables.items())]
    files = {
        **log,
        **{f"{kind}.csv": _csv(table.drop(columns="planted")) for kind, table in tables.items()},
        "truth.csv": _csv(truth_frame(history.positions)),
        "key.csv": _csv(pd.concat(keys, ignore_index=True)),
        "study.toml": dirty_study_text().encode(),
    }
    return _written(Path(folder), files)


def ends_of_unknown_starts(rows: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """Mark rows that end an item of unknown date fitted: no life ends, the next one opens."""
    ends = rows["row_class"].isin(["failure", "interval", "masked", "censored"])
    known = register["start_known"].reindex(rows["position"], fill_value=True).to_numpy()
    ordered = rows[ends & ~known].sort_values(["position", "day"], kind="stable")
    first = ordered.index[~ordered["position"].duplicated()]
    rows.loc[first, "row_class"] = "opens life"
    return rows


def _key_of_table(kind: str, table: pd.DataFrame) -> pd.DataFrame:
    """Key of the rows of a table on which something was planted."""
    classes = {"register": "register", "readings": "reading", "inspections": "inspection"}
    rows = table.assign(row_class=classes[kind], truth="")
    key = key_rows(rows, f"{kind}.csv", kind, 2)
    return key[key["planted"].ne("")]


def _csv(frame: pd.DataFrame) -> bytes:
    """Table as CSV text: dates as ISO 8601, with the time where one is stated."""
    columns = [_texts(frame[name]) for name in frame.columns]
    lines = [list(map(str, frame.columns)), *map(list, zip(*columns, strict=True))]
    return csv_text(lines).encode()


def _texts(column: pd.Series) -> list[str]:
    if pd.api.types.is_datetime64_any_dtype(column):
        whole = (column.dropna() == column.dropna().dt.normalize()).all()
        pattern = "%Y-%m-%d" if whole else "%Y-%m-%d %H:%M"
        return [str(text) for text in column.dt.strftime(pattern).fillna("")]
    if pd.api.types.is_float_dtype(column):
        return ["" if np.isnan(value) else f"{value:.10g}" for value in column]
    return [str(value) for value in column]


def _written(folder: Path, files: Mapping[str, bytes]) -> Path:
    """Write files one by one, each under a temporary name first; return the last one's path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder
    for name, content in files.items():
        path = folder / name
        handle, temporary = tempfile.mkstemp(prefix=f".{name}.", dir=folder)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
            os.chmod(temporary, 0o644)
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    return path
