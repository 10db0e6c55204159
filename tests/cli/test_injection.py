"""What a log or a study holds stays data: no script, no formula, no code, no other file is read."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from relkit.cli.commands import main
from relkit.errors import RelkitError
from relkit.logbook.read import read_log
from relkit.study.read import read_study, study_from_mapping

TRICKS = (
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "</script><script>alert(2)</script>",
    "javascript:alert(3)",
    '" onmouseover="alert(4)',
    "{{ 71933 * 99991 }}{% for x in y %}",
    "{{ cycler.__init__.__globals__.os.system('touch opened') }}",
    "=cmd|' /C calc'!A0",
    "=HYPERLINK(1;2)",
    "+1+1",
    "-2+3",
    "@SUM(A1:A9)",
    "\t=1+1",
    "__import__('pathlib').Path('opened').touch()",
    "$(touch opened)",
    "`touch opened`",
    "%n%s%(x)s",
    "${HOME}",
)


def quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


@pytest.fixture
def study(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a study in which names, words, notes and headers all are hostile."""
    monkeypatch.chdir(tmp_path)
    header = ["date", "vehicle", TRICKS[0], "location", "finding", "action", "job", "note"]
    jobs = [",".join(quoted(name) for name in [*header, TRICKS[7]])]
    items = ["vehicle,component,location,fitted_on," + quoted(TRICKS[8])]
    for number, trick in enumerate(TRICKS * 2):
        cells = [f"202{1 + number % 3}-0{1 + number % 9}-11", f"V{trick}", f"part{trick}"]
        words = ["failed", trick][number % 2]
        cells += [f"at {trick}", words, "replaced", f"J{number}{trick}", trick, trick]
        jobs.append(",".join(quoted(cell) for cell in cells))
    for trick in TRICKS:
        cells = [f"V{trick}", f"part{trick}", f"at {trick}", "2020-02-01", trick]
        items.append(",".join(quoted(cell) for cell in cells))
    jobs.append(",".join(quoted(trick) for trick in TRICKS[: len(header) + 1]))
    (tmp_path / "=jobs <b>.csv").write_text("\n".join(jobs) + "\n", encoding="utf-8")
    (tmp_path / "items.csv").write_text("\n".join(items) + "\n", encoding="utf-8")
    text = json.dumps
    (tmp_path / "study.toml").write_text(
        f"""name = {text(TRICKS[2] + TRICKS[6])}
[window]
start = 2020-01-01
end = 2024-12-31
[[files.log]]
path = "=jobs <b>.csv"
columns = {{ component = {text(TRICKS[0])} }}
[[files.register]]
path = "items.csv"
covariates = {{ {text("depot" + TRICKS[1])} = {text(TRICKS[8])} }}
[words.finding]
failed = [{", ".join(text(trick) for trick in TRICKS)}]
[costs]
currency = {text(TRICKS[1])}
[[costs.items]]
component = {text("part" + TRICKS[0])}
planned = 1
failure = 9
[[rules]]
name = {text(TRICKS[7])}
authority = {text(TRICKS[4])}
maximum = ["1 years"]
""",
        encoding="utf-8",
    )
    return tmp_path / "study.toml"


@pytest.fixture
def out(study: Path, capsys: pytest.CaptureFixture[str]) -> Iterator[Path]:
    with pytest.raises(SystemExit) as left:
        main(["plan", str(study), "--out", "plan", "-q", "--quick"])
    said = capsys.readouterr().err
    assert left.value.code in (0, None), said
    yield study.parent / "plan"
    assert not list(study.parent.rglob("opened")), "something in the log or the study was run"


class Outline(HTMLParser):
    """Elements of a page with their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep one element."""
        self.tags.append((tag, dict(attrs)))


def test_no_text_becomes_script_formula_or_template(out: Path) -> None:
    # Source: common practice; each text of TRICKS is what one of the outputs could run.
    pages = {path.name: path.read_text(encoding="utf-8") for path in out.glob("*.html")}
    assert "{{ 71933 * 99991 }}" in pages["plan.html"]
    for name, page in pages.items():
        tags = Outline(page).tags
        assert not any(key.startswith("on") for _, names in tags for key in names), name
        links = [str(names[key]) for _, names in tags for key in ("href", "src") if key in names]
        assert not any(link.startswith("javascript:") for link in links), name
        assert "7192652603" not in page
        assert not any(trick in page for trick in (TRICKS[0], TRICKS[1], TRICKS[2])), name
    scripts = [tag for tag, _ in Outline(pages["plan.html"]).tags if tag == "script"]
    assert len(scripts) == 3  # the page's own

    book = openpyxl.load_workbook(out / "plan.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert len(cells) > 500
    assert not [cell for cell in cells if cell.data_type == "f" or cell.hyperlink]

    tables = sorted((out / "tables").glob("*.csv"))
    assert {"intervals.csv", "set_aside.csv", "row_classes.csv"} <= {path.name for path in tables}
    for path in tables:
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        for name in table.columns:
            plain = pd.to_numeric(table[name], errors="coerce").isna()
            risky = table[name].str.match(r"^[ ]*[=+\-@\t\r\n].") & plain
            assert not risky.any(), (path.name, name, table.loc[risky, name].iloc[0])


def test_a_study_is_data_only(study: Path) -> None:
    # Source: TOML has no code; every text comes back as it was written.
    settings = read_study(study)
    assert settings.name == TRICKS[2] + TRICKS[6]
    assert settings.words.finding["failed"] == TRICKS
    assert settings.costs.currency == TRICKS[1]
    assert not list(study.parent.rglob("opened"))


@pytest.mark.parametrize("text", [*TRICKS, "%", "%%", "%d.%m.%Y %H:%M %", "{0.__class__}"])
def test_texts_of_settings_are_refused_or_do_nothing(tmp_path: Path, text: str) -> None:
    # Source: common practice: the only outcomes are a log or a message.
    (tmp_path / "log.csv").write_text("date,vehicle\n2023-01-05,V1\n")
    settings = (
        "date_format",
        "delimiter",
        "encoding",
        "sheet",
        "path",
        "url",
        "table",
        "time_zone",
    )
    for setting in settings:
        source = {"path": "log.csv", setting: text}
        if setting == "url":
            source = {"url": text, "table": "jobs"}
        with suppress(RelkitError):  # any other error is one of the program
            given = {"name": "x", "files": {"log": [source]}}
            read_log(study_from_mapping(given, path=tmp_path / "study.toml"))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["log.csv"]


#: Reads a log and tells which files and programs it opened meanwhile.
WATCHED = """
import json, sys
from relkit.logbook.read import read_log
from relkit.study.read import read_study
read_log(read_study(sys.argv[1]))  # imports are done
seen = []
def watch(event, given):
    if event == "open" and isinstance(given[0], str):
        seen.append(given[0])
    elif event in ("os.system", "subprocess.Popen", "os.exec", "socket.connect"):
        seen.append(event)
sys.addaudithook(watch)
read_log(read_study(sys.argv[1]))
print(json.dumps(seen))
"""


def test_only_what_a_study_names_is_opened(study: Path) -> None:
    # Source: the interpreter's audit events (Python documentation, "Audit events table").
    for name in ("items.csv.bak", "other.csv", ".env", "secret.txt"):
        (study.parent / name).write_text("date,vehicle\n")
    done = subprocess.run(
        [sys.executable, "-c", WATCHED, str(study)], check=True, capture_output=True, text=True
    )
    opened = {Path(name).name for name in json.loads(done.stdout)}
    assert opened == {"study.toml", "=jobs <b>.csv", "items.csv"}
