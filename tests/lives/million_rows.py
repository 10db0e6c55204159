"""Time and memory from a CSV file of a million jobs to lives; run by hand.

python tests/lives/million_rows.py [ROWS] writes the files into a temporary folder and reads them.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from relkit.lives.table import life_tables
from relkit.logbook.read import read_log
from relkit.study.read import study_from_mapping

WORDS = np.array(["failed", "planned", "view dark", "no fault found", ""], dtype=object)
DONE = np.array(["replaced", "Replaced ", "repaired", "tested", ""], dtype=object)
LOCATIONS = np.array(["rear", "front", "kerb side", "road side", "plough"], dtype=object)
COMPONENTS = np.array(["camera", "cable"], dtype=object)


def write(folder: Path, rows: int, rng: np.random.Generator, files: int) -> None:
    vehicles = np.array([f"GR-{k:05d}" for k in range(rows // 200)], dtype=object)
    minutes = np.sort(rng.integers(0, 700 * 1440, rows))
    when = np.datetime64("2021-01-01", "m") + minutes
    jobs = pd.DataFrame(
        {
            "Job": [f"J{k:07d}" for k in range(rows)],
            "Opened": pd.Series(when).dt.strftime("%d/%m/%Y %H:%M"),
            "Vehicle": vehicles[rng.integers(0, len(vehicles), rows)],
            "Part": COMPONENTS[rng.integers(0, 2, rows)],
            "Where": LOCATIONS[rng.integers(0, 5, rows)],
            "Found": WORDS[rng.integers(0, 5, rows)],
            "Done": DONE[rng.integers(0, 5, rows)],
            "Hours": (minutes / 360).round(1),
            "Cost": rng.integers(20, 900, rows),
            "Note": [f"view {k % 97} dark, changed it" for k in range(rows)],
        }
    )
    for number, part in enumerate(np.array_split(np.arange(rows), files)):
        # each file repeats the last tenth of the one before, as overlapping exports do
        first = max(0, part[0] - (rows // files // 10 if files > 1 else 0))
        jobs.iloc[first : part[-1] + 1].to_csv(folder / f"jobs_{number:02}.csv", index=False)
    fitted = pd.MultiIndex.from_product(
        [vehicles, COMPONENTS, LOCATIONS], names=["Vehicle", "Part", "Where"]
    ).to_frame(index=False)
    days = np.datetime64("2021-01-01") - rng.integers(0, 900, len(fitted))
    fitted.assign(Since=days.astype(str)).to_csv(folder / "fitted.csv", index=False)


def study_of() -> dict[str, object]:
    places = {"vehicle": "Vehicle", "component": "Part", "location": "Where"}
    told = {"job": "Job", "date": "Opened", "finding": "Found", "action": "Done"}
    log = {
        "path": "jobs_*.csv",
        "date_format": "day first",
        "columns": {**places, **told, "cost": "Cost", "note": "Note"},
        "counters": {"engine_hours": "Hours"},
    }
    register = {"path": "fitted.csv", "columns": {**places, "fitted_on": "Since"}}
    return {
        "name": "large",
        "clock": "engine_hours",
        "files": {"log": [log], "register": [register]},
        "window": {"end": "2022-11-30"},
    }


def main() -> None:
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    files = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    with tempfile.TemporaryDirectory() as name:
        write(Path(name), rows, np.random.default_rng(6), files)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        study = study_from_mapping(study_of(), path=Path(name) / "study.toml")
        started, used = time.perf_counter(), time.process_time()
        log = read_log(study)
        middle = time.perf_counter()
        tables = life_tables(log, study)
    ended = time.perf_counter()
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    sys.stdout.write(
        f"{log.files['rows'].sum():,} rows, {len(tables.lives):,} lives, "
        f"{len(tables.set_aside):,} set aside: read {middle - started:.1f} s, "
        f"lives {ended - middle:.1f} s, processor {time.process_time() - used:.1f} s, "
        f"largest {most / 2**20:.2f} GiB (before: {before / 2**20:.2f})\n"
    )


if __name__ == "__main__":
    main()
