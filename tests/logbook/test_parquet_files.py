"""Parquet: typed columns give the same log as the text they were made from."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

from relkit.errors import InputError
from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]


def parquet(frame: pd.DataFrame) -> bytes:
    out = io.BytesIO()
    frame.to_parquet(out)
    return out.getvalue()


def files(path: str, **more: Any) -> dict[str, Any]:
    source = {"path": path, "counters": {"engine_hours": "hours"}, **more}
    return {"files": {"log": [source], "register": [{"path": "register.csv"}]}}


def test_typed_columns_give_the_same_jobs_as_text(log_of: Reader, made_log: str) -> None:
    text = made_log.replace(",1000,", ",1000.5,").replace(",300,", ",300.25,")
    frame = pd.read_csv(io.StringIO(text), parse_dates=["date"], date_format="ISO8601")
    frame["component"] = frame["component"].astype("category")
    expected = log_of({"log.csv": text}, files("log.csv")).jobs
    assert expected["reading"].tolist()[0] == 1000.5
    for decimal in (".", ","):
        found = log_of({"log.parquet": parquet(frame)}, files("log.parquet", decimal=decimal)).jobs
        same = ["job", "date", "vehicle", "component", "location", "finding", "reading", "cost"]
        pd.testing.assert_frame_equal(found[same], expected[same])
        assert found["source"].tolist() == ["log.parquet:2", "log.parquet:3", "log.parquet:4"]


def test_time_zone_is_taken_off_as_local_time(log_of: Reader) -> None:
    when = pd.to_datetime(["2023-01-05 07:30"]).tz_localize("UTC").tz_convert("Etc/GMT-1")
    frame = pd.DataFrame({"date": when, "vehicle": ["GR-01"], "hours": [1.5]})
    log = log_of({"log.parquet": parquet(frame)}, files("log.parquet"))
    assert log.jobs["date"].astype(str).tolist() == ["2023-01-05 08:30:00"]
    assert "dates: time zone" in set(log.findings["rule"])


@pytest.mark.parametrize("data", [b"", b"PAR1nonsense", b"text"])
def test_file_that_is_no_parquet_is_refused(log_of: Reader, data: bytes) -> None:
    with pytest.raises(InputError, match=r"log\.parquet: the Parquet file cannot be read"):
        log_of({"log.parquet": data}, files("log.parquet"))
