"""relkit new on files in shapes that other people and programs make: confirmed, they run."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xlsxwriter

from relkit.cli.commands import main
from relkit.lives.table import LifeTables, life_tables
from relkit.logbook.read import read_log
from relkit.study.read import read_study

PARTS = ("pump", "valve", "filter")


def _jobs(rng: np.random.Generator, vehicles: int, years: float) -> pd.DataFrame:
    """Return replacements of three parts per vehicle, every 300 days or so each."""
    rows = []
    for vehicle in range(1, vehicles + 1):
        for part in PARTS:
            day = rng.exponential(300.0)
            while day < 365.25 * years:
                rows.append((f"T{vehicle:02d}", part, day))
                day += 30.0 + rng.exponential(270.0)
    table = pd.DataFrame(rows, columns=["vehicle", "part", "day"]).sort_values("day")
    table["date"] = pd.Timestamp("2021-01-04") + pd.to_timedelta(table["day"].astype(int), "D")
    table["hours"] = 1000.0 + 4.5 * table["day"]
    return table.reset_index(drop=True)


def office_csv(
    folder: Path, *, days: int = 28, numbered: bool = True, metered: bool = True
) -> list[Path]:
    """Semicolons, decimal commas, an old encoding; dates with both parts up to ``days``."""
    rng = np.random.default_rng(5)
    jobs = _jobs(rng, 12, 3.0)
    jobs["date"] = jobs["date"].map(lambda day: day.replace(day=min(day.day, days)))
    if not numbered:
        jobs = jobs.sample(frac=1.0, random_state=3)
    lines = ["Auftrag;Datum;Fahrzeug;Bauteil;Befund;Arbeit;Betriebsstunden;Kosten"]
    for number, row in enumerate(jobs.itertuples(), start=4001):
        found = ("defekt", "undicht")[number % 2]
        hours = f"{row.hours:.1f}".replace(".", ",") if metered else ""
        date = f"{row.date:%d.%m.%Y}"
        label = f"A{number}" if numbered else ""
        lines.append(
            f"{label};{date};{row.vehicle};{row.part};{found};ersetzt;{hours};1.2{number % 10}0,50"
        )
    log = folder / "auftraege.csv"
    log.write_bytes("\r\n".join(lines).replace("undicht", "lässt Öl").encode("cp1252"))
    register = ["Fahrzeug;Bauteil;installiert"]
    register += [f"T{n:02d};{part};" for n in range(1, 13) for part in PARTS]
    fitted = folder / "bestand.csv"
    fitted.write_text("\n".join(register), encoding="utf-8")
    return [log, fitted]


def machine_files(folder: Path) -> list[Path]:
    """Machine logs of the kind that teaching data sets have: failures, replacements, machines."""
    rng = np.random.default_rng(8)
    jobs = _jobs(rng, 20, 2.0)
    jobs["machineID"] = jobs["vehicle"].str[1:].astype(int)
    jobs["component"] = jobs["part"].map({"pump": "comp1", "valve": "comp2", "filter": "comp3"})
    jobs["datetime"] = jobs["date"].dt.strftime("%Y-%m-%d 06:00:00")
    failed = jobs[rng.random(len(jobs)) < 0.6]
    jobs[["datetime", "machineID", "component"]].rename(columns={"component": "comp"}).to_csv(
        folder / "maint.csv", index=False
    )
    failed[["datetime", "machineID", "component"]].rename(columns={"component": "failure"}).to_csv(
        folder / "failures.csv", index=False
    )
    machines = pd.DataFrame({"machineID": range(1, 21)})
    machines["model"] = [f"model{n % 4 + 1}" for n in range(20)]
    machines["age"] = [n % 17 for n in range(20)]
    machines.to_csv(folder / "machines.csv", index=False)
    hours = pd.date_range("2021-01-04", periods=200, freq="h").strftime("%Y-%m-%d %H:%M:%S")
    telemetry = pd.DataFrame({"datetime": np.tile(hours, 2), "machineID": np.repeat([1, 2], 200)})
    for name, level in (("volt", 170.0), ("rotate", 440.0), ("pressure", 100.0)):
        telemetry[name] = (level + rng.normal(0, 5, 400)).round(3)
    telemetry.to_csv(folder / "telemetry.csv", index=False)
    names = ("maint", "failures", "machines", "telemetry")
    return [folder / f"{name}.csv" for name in names]


def one_table(folder: Path) -> list[Path]:
    """One log with date, vehicle and part, month first, and no register."""
    jobs = _jobs(np.random.default_rng(2), 15, 3.0)
    table = pd.DataFrame({"Date": jobs["date"].dt.strftime("%m/%d/%Y"), "Truck": jobs["vehicle"]})
    table["Part"] = jobs["part"].str.capitalize()
    table.to_csv(folder / "repairs.csv", index=False)
    return [folder / "repairs.csv"]


def workbook(folder: Path) -> list[Path]:
    """Write notes above two header rows, merged vehicles, a total; other sheets."""
    jobs = _jobs(np.random.default_rng(6), 10, 3.0).sort_values(["vehicle", "date"])
    path = folder / "workshop.xlsx"
    with xlsxwriter.Workbook(path) as book:
        day = book.add_format({"num_format": "dd/mm/yyyy"})
        book.add_worksheet("Read me").write(0, 0, "Made by the workshop")
        sheet = book.add_worksheet("Repairs")
        sheet.write(0, 0, "Workshop repairs 2021 to 2023")
        sheet.write(1, 0, "Printed for the fleet office")
        for place, (above, below) in enumerate(
            [("Vehicle", ""), ("Job", "number"), ("", "opened"), ("Work", "part"), ("", "found"),
             ("", "done"), ("Meter", "km"), ("Remarks", ""), ("Technician", "")]
        ):  # fmt: skip
            sheet.write(3, place, above)
            sheet.write(4, place, below)
        held = ""
        for number, row in enumerate(jobs.itertuples()):
            at = 5 + number
            if row.vehicle != held:
                sheet.write(at, 0, row.vehicle)
                held = row.vehicle
            sheet.write(at, 1, 7000 + number)
            sheet.write_datetime(at, 2, row.date.to_pydatetime(), day)
            sheet.write(at, 3, {"pump": "pmp", "filter": "oil filter"}.get(row.part, row.part))
            sheet.write(at, 4, ("leaking", "u/s", "planned", "wobbly")[number % 4])
            sheet.write(at, 5, ("changed", "renewed")[number % 2])
            sheet.write(at, 6, round(40000 + 150 * row.day))
            sheet.write(at, 7, f"{row.part} changed at depot {number}")
            sheet.write(at, 8, "A. Nother")
        sheet.write(5 + len(jobs), 0, "Total")
        sheet.write(5 + len(jobs), 1, len(jobs))
        fitted = book.add_worksheet("Fleet")
        fitted.write_row(0, 0, ["Vehicle", "Item", "Since", "Class"])
        rows = [(f"T{n:02d}", part) for n in range(1, 11) for part in PARTS]
        for at, (vehicle, part) in enumerate(rows, start=1):
            fitted.write_row(at, 0, [vehicle, part])
            fitted.write(at, 3, "tipper" if int(vehicle[1:]) < 6 else "tanker")
    return [path]


def new(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of one command line."""
    with pytest.raises(SystemExit) as left:
        main([str(word) for word in words])
    seen = capsys.readouterr()
    return int(left.value.code or 0), seen.out, seen.err


def confirm(study: Path, **answers: str) -> None:
    """Write true after each statement, and what else a person would write."""
    text = re.sub(r'^(".*") = false$', r"\1 = true", study.read_text("utf-8"), flags=re.M)
    for old, answer in answers.items():
        text = re.sub(rf"^{old} = .*$", f"{old} = {answer}", text, flags=re.M)
    study.write_text(text, encoding="utf-8")


def lives_of(study: Path) -> LifeTables:
    settings = read_study(study)
    return life_tables(read_log(settings), settings)


def changes_after_the_first(jobs: pd.DataFrame) -> int:
    """How many lives of known start a log shows that changes items only: second ones and on."""
    return len(jobs) - len(jobs[["vehicle", "part"]].drop_duplicates())


@pytest.mark.parametrize("make", [office_csv, machine_files, one_table, workbook])
def test_foreign_files_run_after_what_they_ask_is_confirmed(
    make: Callable[[Path], list[Path]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = tmp_path / "study.toml"
    code, told, _ = new(capsys, "new", *make(tmp_path), "--out", study)
    assert code == 0
    assert f"relkit check {study}" in told
    code, _, problem = new(capsys, "check", study)
    assert code == 2
    statements = re.findall(r'^"(.*)" = false$', study.read_text("utf-8"), flags=re.M)
    assert statements
    for statement in statements:
        assert statement.replace('\\"', '"') in problem
    confirm(study)
    code, told, problem = new(capsys, "check", "--quiet", study)
    assert (code, problem) == (0, "")
    assert "read = 0 used" not in told


def test_an_office_file_is_read_with_its_signs_and_dates(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = tmp_path / "study.toml"
    new(capsys, "new", *office_csv(tmp_path), "--out", study)
    confirm(study)
    settings = read_study(study)
    source = settings.files.log[0]
    assert (source.decimal, source.thousands, source.date_format) == (",", ".", "day first")
    assert (source.columns["finding"], source.columns["action"]) == ("Befund", "Arbeit")
    assert settings.clock == "engine_hours"
    jobs = _jobs(np.random.default_rng(5), 12, 3.0)
    log = read_log(settings)
    assert sorted(log.jobs["reading"].round(1)) == sorted(jobs["hours"].round(1))
    ended = lives_of(study).lives["ended_by"].eq("failure").sum()
    assert ended == changes_after_the_first(jobs)


def test_machine_logs_need_no_more_than_their_names(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = tmp_path / "study.toml"
    _, told, _ = new(capsys, "new", *machine_files(tmp_path), "--out", study)
    assert re.search(r"telemetry.csv +not used", told)
    confirm(study)
    failures = pd.read_csv(tmp_path / "failures.csv").rename(columns={"failure": "comp"})
    changes = pd.read_csv(tmp_path / "maint.csv").sort_values("datetime", kind="stable")
    later = changes[changes.duplicated(["machineID", "comp"])]
    expected = later.merge(failures, on=["datetime", "machineID", "comp"])
    ended = lives_of(study).lives["ended_by"].value_counts()
    assert ended["failure"] == len(expected)
    assert ended["removed unfailed"] == len(later) - len(expected)
    code, told, _ = new(capsys, "plan", "--quiet", "--quick", study, "--out", tmp_path / "plan")
    assert code == 0
    assert "comp1" in told


def test_one_table_without_register_gives_a_list_to_complete(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = tmp_path / "study.toml"
    _, told, _ = new(capsys, "new", *one_table(tmp_path), "--out", study)
    assert "Complete this list first" in told
    register = pd.read_csv(tmp_path / "register_to_complete.csv")
    assert len(register) == 15 * len(PARTS)
    assert set(register["in_log"]) <= {"yes", "no"}
    confirm(study)
    jobs = _jobs(np.random.default_rng(2), 15, 3.0)
    last = jobs["date"].max().to_period("M").start_time
    inside = jobs[jobs["date"] < last + pd.offsets.MonthEnd(1)]
    assert lives_of(study).lives["failed"].sum() <= changes_after_the_first(inside)
    assert lives_of(study).lives["failed"].sum() > 0


def test_a_workbook_with_notes_merged_cells_and_two_header_rows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = tmp_path / "study.toml"
    new(capsys, "new", *workbook(tmp_path), "--out", study)
    confirm(study)
    settings = read_study(study)
    source = settings.files.log[0]
    assert (source.sheet, source.header_row, source.header_rows) == ("Repairs", 4, 2)
    assert source.fill_down == ("vehicle",)
    assert settings.clock == "km"
    assert dict(settings.words.component) == {"pump": ("pmp",), "filter": ("oil filter",)}
    assert settings.treatments.findings["wobbly"] == "cause unknown"
    assert "Technician" not in {*source.columns.values(), *source.covariates.values()}
    log = read_log(settings)
    assert log.set_aside["reason"].tolist() == ["not a job"]  # the total
    assert set(log.jobs["vehicle"]) == {f"T{n:02d}" for n in range(1, 11)}


def test_dates_that_nothing_decides_are_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = tmp_path / "study.toml"
    files = office_csv(tmp_path, days=12, numbered=False, metered=False)
    text = files[0].read_bytes().decode("cp1252").splitlines()
    files[0].write_text("\n".join(line for line in text if _both_small(line)), encoding="utf-8")
    _, told, _ = new(capsys, "new", *files, "--out", study)
    assert "the order of day and month is not decided" in told
    assert 'date_format = "day first or month first?"' in study.read_text("utf-8")
    confirm(study)
    code, _, problem = new(capsys, "check", study)
    assert code == 2
    assert 'date_format of "auftraege.csv" is still a question' in problem
    confirm(study, date_format='"day first"')
    assert new(capsys, "check", study)[0] == 0


def _both_small(line: str) -> bool:
    parts = line.split(";")[1].split(".")
    return len(parts) < 3 or (int(parts[0]) <= 12 and parts[0] != parts[1])


def test_ages_without_dates_get_lines_of_python_that_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("ages.csv").write_text("hours,event,count\n50,Censored,20\n230,Failed,1\n300,Failed,2\n")
    code, _, problem = new(capsys, "new", "ages.csv")
    assert code == 3
    assert not Path("study.toml").exists()
    lines = [line.strip() for line in problem.splitlines() if line.startswith("    ")]
    exec("\n".join(lines))
    assert " 3.0" in capsys.readouterr().out  # three failures


def test_repaired_systems_get_a_mean_cumulative_curve(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("valves.csv").write_text("engine,days,event\nE1,98,replacement\nE1,600,end\nE2,700,end\n")
    _, _, problem = new(capsys, "new", "valves.csv")
    lines = [line.strip() for line in problem.splitlines() if line.startswith("    ")]
    exec("\n".join(lines))
    assert "98" in capsys.readouterr().out


def test_a_study_that_is_there_is_not_written_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files, study = one_table(tmp_path), tmp_path / "study.toml"
    study.write_text("mine")
    assert new(capsys, "new", *files, "--out", study)[0] == 2
    assert study.read_text() == "mine"
    assert new(capsys, "new", *files, "--out", study, "--replace")[0] == 0


def test_names_in_files_cannot_write_into_the_study(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = 'Part" = 1\n[confirm]\n"x'
    lines = [f'Date,Vehicle,"{bad.replace(chr(34), chr(34) * 2)}",Part']
    lines += [f'2023-01-{n:02d},V{n % 3},"a""]\n[files]\n",pump # {n % 2}' for n in range(1, 25)]
    (tmp_path / "log.csv").write_text("\n".join(lines))
    study = tmp_path / "study.toml"
    assert new(capsys, "new", tmp_path / "log.csv", "--out", study)[0] == 0
    confirm(study)
    settings = read_study(study)
    assert [source.path for source in settings.files.log] == ["log.csv"]
    assert "x" not in settings.confirm


def test_notes_are_shown_beside_their_reading(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = tmp_path / "study.toml"
    new(capsys, "new", *workbook(tmp_path), "--out", study)
    confirm(study)
    out = tmp_path / "notes.csv"
    code, told, _ = new(capsys, "notes", study, "--out", out)
    assert code == 0
    assert "a finding or action is read in" in told
    notes = pd.read_csv(out)
    assert len(notes) == len(_jobs(np.random.default_rng(6), 10, 3.0))
    assert set(notes["action"]) == {"replaced"}
