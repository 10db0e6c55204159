"""The study file: defaults, quantities, and errors that name the key and the mend."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from relkit.errors import StudyError
from relkit.study.read import read_study, study_from_mapping

LEAST = """
name = "Small fleet"
[[files.log]]
path = "log.csv"
columns = { date = "Date", vehicle = "Vehicle" }
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_least_study_gets_the_stated_defaults(tmp_path: Path) -> None:
    # Source: the project's own contract of the study file.
    study = read_study(written(tmp_path, LEAST))
    assert study.clock == "days"
    assert study.by == ("component", "location")
    assert study.folder == tmp_path
    assert study.treatments.findings["failed"] == "failure"
    assert study.treatments.actions["replaced"].effect == "new item"


def test_study_is_frozen(tmp_path: Path) -> None:
    # Source: common practice.
    study = read_study(written(tmp_path, LEAST))
    with pytest.raises(dataclasses.FrozenInstanceError):
        study.name = "other"  # type: ignore[misc]


def test_own_findings_and_actions_add_to_the_default_ones(tmp_path: Path) -> None:
    # Source: the project's own contract of the study file.
    text = LEAST + (
        '[treatments.findings]\n"rusted" = "failure"\n'
        '[treatments.actions]\n"joint re-made" = { effect = "new item", type = "re-made joint" }\n'
    )
    treatments = read_study(written(tmp_path, text)).treatments
    assert treatments.findings["rusted"] == "failure"
    assert treatments.findings["planned"] == "unfailed"
    assert treatments.actions["joint re-made"].type == "re-made joint"
    assert treatments.actions["removed"].effect == "removed"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('clocks = "km"\n' + LEAST, r'unknown key "clocks" \(nearest known key: "clock"\)'),
        (LEAST + 'sheat = "A"\n', r'"files\.log\.1\.sheat" \(nearest known key: "sheet"\)'),
        (LEAST + "[decision]\nleast_savings = 0.1\n", 'nearest known key: "least_saving"'),
        (LEAST + "[decision]\nleast_saving = 1.5\n", r'"decision\.least_saving" is 1\.5'),
        (LEAST + '[[services]]\nname = "A"\nevery = ["13 moons ago"]\n', "is not a quantity"),
        (LEAST + '[[services]]\nname = "A"\nevery = ["0 days"]\n', "is not a quantity"),
        (LEAST + '[treatments.findings]\nodd = "broken"\n', r"treatments\.findings\.odd"),
        (LEAST + "[[costs.items]]\nplanned = -5.0\n", r"costs\.items\.1\.planned"),
        ('name = "x"\n', '"files" is missing'),
        ('name = "x\n', "is not valid TOML"),
        ('folder = "x"\n' + LEAST, 'unknown key "folder"'),
    ],
)
def test_wrong_keys_and_values_are_named(tmp_path: Path, text: str, message: str) -> None:
    # Source: the project's own contract: unknown keys are errors that name the nearest known key.
    with pytest.raises(StudyError, match=message):
        read_study(written(tmp_path, text))


def test_all_wrong_keys_are_listed_at_once() -> None:
    # Source: common practice: a person mends a file in one go.
    with pytest.raises(StudyError) as caught:
        study_from_mapping({"nam": "x", "files": {"log": [{"path": "a", "sheets": 1}]}, "b": 2})
    for part in ("nam", "sheets", '"b"', '"name" is missing'):
        assert part in str(caught.value)


def test_missing_file_is_said_plainly(tmp_path: Path) -> None:
    # Source: common practice.
    with pytest.raises(StudyError, match="there is no such study file"):
        read_study(tmp_path / "none.toml")


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    # Source: common practice.
    path = tmp_path / "study.toml"
    path.write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(StudyError, match="cannot be read as text"):
        read_study(path)
