"""Findings joined to one frame; rows set aside with their original."""

from __future__ import annotations

from relkit.logbook.findings import finding, findings_frame


def test_same_findings_of_several_files_are_one_row() -> None:
    one = finding("blank rows", "Rows are blank", sources=["a.csv"], rows=3, done="Skipped")
    two = finding("blank rows", "Rows are blank", sources=["b.csv"], rows=4, done="Skipped")
    frame = findings_frame([one, two])
    assert frame[["rows", "where"]].to_numpy().tolist() == [[7, "a.csv, b.csv"]]


def test_many_places_are_shortened() -> None:
    one = finding("rule", "what", sources=[f"a:{n}" for n in range(1500)], done="x")
    where = findings_frame([one])["where"].iloc[0]
    assert where.endswith("a:11 and 1,488 more")
    assert where.count(",") == 12


def test_what_limits_the_answers_comes_first() -> None:
    severities = ("information", "look", "limits", "look")
    found = [
        finding(f"rule {n}", "what", sources=["a"] * (n + 1), done="x", severity=severity)  # type: ignore[arg-type]
        for n, severity in enumerate(severities)
    ]
    assert findings_frame(found)["severity"].tolist() == ["limits", "look", "look", "information"]
    assert findings_frame(found)["rule"].tolist()[1] == "rule 3"


def test_no_findings_are_an_empty_frame() -> None:
    assert list(findings_frame([]).columns) == ["rule", "what", "rows", "where", "done", "severity"]
