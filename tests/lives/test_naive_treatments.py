"""Wrong treatments of a log are biased as stated, and the project's own are not.

Source of the expected values: the project's own simulation of 60 logs a case, made before this
code; its truth is in each case. Both are medians of random logs, so that two may differ by
4 * 1.2533 * sd * sqrt(1 / 60 + 1 / logs) (standard error of a median, normal law, textbooks;
about 50 comparisons, each passed by chance with probability 0.9999).
"""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

LOGS = 120
EXPECTED = {  # shape and scale [h] of: low-mount cable, kerb-side camera, suction-mouth camera
    "late entry handled": ((2.25, 5470), (1.03, 10880), (2.24, 2080)),
    "first spell with unknown start dropped": ((2.33, 5510), (1.04, 11230), (2.21, 2100)),
    "late entry ignored": ((2.44, 5730), (1.21, 12110), (2.29, 2140)),
    "vehicle's date taken as the unit's date": ((2.12, 5720), (1.02, 10900), (1.84, 2230)),
    "all ages set to zero at log start": ((1.70, 4830), (1.02, 11130), (1.91, 1950)),
    "failures only, survivors dropped": ((2.37, 4410), (1.48, 3510), (2.21, 1980)),
    "gaps between log rows taken as lives": ((2.50, 2650), (1.43, 1440), (2.15, 1870)),
}
MASKED = {  # shape and scale [h] of: cable, camera
    "both counted": ((1.86, 4090), (2.37, 2820)),
    "both censored": ((None, 5500 * 1.20), (None, 3000 * 1.19)),
    "masked likelihood": ((2.26, 5400), (2.64, 3000)),
}


def loaded() -> ModuleType:
    path = Path(__file__).with_name("naive_treatments.py")
    spec = importlib.util.spec_from_file_location("naive_treatments", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


SIMULATED = loaded()


def allowed(spread: float, logs: int) -> float:
    return 4 * 1.2533 * spread * np.sqrt(1 / 60 + 1 / logs)


@pytest.mark.slow
@pytest.mark.parametrize("place", range(3), ids=list(SIMULATED.CASES))
def test_each_treatment_is_off_as_stated(place: int) -> None:
    table = SIMULATED.medians(list(SIMULATED.CASES)[place], logs=LOGS, seed=11)
    for row in table.itertuples():
        shape, scale = EXPECTED[row.treatment][place]
        assert row.shape == pytest.approx(shape, abs=allowed(row.shape_sd, row.logs)), row
        assert row.scale == pytest.approx(scale, abs=allowed(row.scale_sd, row.logs)), row


@pytest.mark.slow
def test_masked_jobs_are_off_as_stated_unless_shared() -> None:
    table = SIMULATED.masked_medians(logs=LOGS, seed=11)
    for row in table.itertuples():
        shape, scale = MASKED[row.treatment][row.case.endswith("camera")]
        if shape is not None:
            assert row.shape == pytest.approx(shape, abs=allowed(row.shape_sd, row.logs)), row
        assert row.scale == pytest.approx(scale, abs=allowed(row.scale_sd, row.logs)), row


def test_the_recorded_table_shows_which_treatments_are_biased() -> None:
    # Source: tests/references/naive_treatments.csv, 400 logs a case; truths stand in the script.
    path = Path(__file__).parents[1] / "references" / "naive_treatments.csv"
    table = pd.read_csv(path).set_index(["case", "treatment"])
    for case, (shape, scale, *_) in SIMULATED.CASES.items():
        error = 1.2533 / np.sqrt(table.loc[case, "logs"])
        off = (table.loc[case, "scale"] - scale) / (table.loc[case, "scale_sd"] * error)
        good = off[["late entry handled", "first spell with unknown start dropped"]]
        assert (good.abs() < 4).all(), case
        ratio = table.loc[case, "scale"] / scale
        assert ratio["gaps between log rows taken as lives"] < 0.92
        assert ratio["failures only, survivors dropped"] < 0.98
        assert table.loc[(case, "late entry handled"), "shape"] == pytest.approx(shape, rel=0.05)
    low = table.loc["low-mount cable"]
    # own algebra: gaps of rows cut the scale of the cable by more than half
    assert low.loc["gaps between log rows taken as lives", "scale"] < 0.5 * 5500
    assert low.loc["all ages set to zero at log start", "shape"] < 1.9
    counted = table.loc[("masked jobs: cable", "both counted"), "scale"]
    assert counted < 0.8 * 5500
    assert table.loc[("masked jobs: cable", "masked likelihood"), "scale"] == (
        pytest.approx(5500, rel=0.03)
    )
