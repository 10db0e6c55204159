"""The whatif command: the 24 questions and saved scenarios, as differences from today.

Layer: cli.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.progress import stages

if TYPE_CHECKING:
    from relkit.plan.parts import PlanParts
    from relkit.whatif.scenario import Scenario

__all__ = ["EPILOG", "whatif"]

EPILOG = """Examples:

\b
  relkit whatif study.toml                         the 24 questions
  relkit whatif study.toml --question 4            one of them, about the costliest item
  relkit whatif study.toml --question 4 --save .   its scenario as a file, to be changed
  relkit whatif study.toml better.toml later.toml  saved scenarios side by side
  relkit whatif study.toml --levers                what the cost hangs on
"""


def whatif(
    study: Annotated[
        Path, typer.Argument(metavar="STUDY", help="The study file (TOML).", show_default=False)
    ],
    scenarios: Annotated[
        list[Path] | None,
        typer.Argument(metavar="SCENARIO", help="Scenario files (TOML), compared with today."),
    ] = None,
    question: Annotated[
        list[int] | None,
        typer.Option("--question", help="Number of a question; may be repeated. 0: all."),
    ] = None,
    save: Annotated[
        Path | None, typer.Option("--save", help="Folder for the questions' scenarios as files.")
    ] = None,
    levers: Annotated[
        bool, typer.Option("--levers", help="What the cost hangs on, one number at a time.")
    ] = False,
    histories: Annotated[
        int,
        typer.Option(
            min=0,
            help="Simulate so many histories of each scenario file: chance, queues and stock-outs.",
        ),
    ] = 0,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Show no progress.")] = False,
) -> None:
    """Answer what-if questions: what changes from today, with a range.

    Both sides of each comparison take the same draws of the life parameters, so that what they
    have in common cancels. Without scenarios and questions the 24 questions are listed. Files of
    the study are only read.
    """
    from relkit.whatif.scenario_files import read_scenario

    read = [read_scenario(path) for path in scenarios or []]
    numbers = _numbers(question or [])
    if save is not None and not numbers:
        raise typer.BadParameter("--save keeps the scenarios of a --question: name one")
    if not (read or numbers or levers):
        _print_questions()
        return
    with stages(quiet=quiet) as tell:
        parts = _parts(study, tell)
        texts = _answers(parts, numbers, tell)
        if read:
            tell("comparing the scenarios")
            texts.append(_compared(parts, read))
        if read and histories:
            tell("simulating histories")
            texts += _simulated(parts, read, histories)
        if levers:
            tell("moving one number at a time")
            texts.append(_levers(parts))
        saved = [] if save is None else _saved(parts, numbers, save)
    typer.echo("\n\n".join(texts))
    for path in saved:
        typer.echo(f"saved: {path}")


def _numbers(given: Sequence[int]) -> list[int]:
    from relkit.whatif.questions import QUESTIONS

    return [q.number for q in QUESTIONS] if 0 in given else list(dict.fromkeys(given))


def _parts(study: Path, tell: Callable[[str], None]) -> PlanParts:
    from relkit.logbook.read import read_log
    from relkit.plan.parts import parts_of
    from relkit.study.read import read_study

    settings = read_study(study)
    tell("reading the log")
    return parts_of(read_log(settings, progress=tell), settings, progress=tell)


def _print_questions() -> None:
    from relkit.cli.output import line_width
    from relkit.present.text_table import text_table
    from relkit.whatif.questions import QUESTIONS

    rows = [[str(q.number), q.words, q.how] for q in QUESTIONS]
    titles = ("no.", "question", "how it is answered")
    numeric = (True, False, False)
    typer.echo(text_table(titles, rows, numeric=numeric, width=line_width()))
    typer.echo("\nNext: relkit whatif STUDY --question NUMBER")


def _answers(parts: PlanParts, numbers: Sequence[int], tell: Callable[[str], None]) -> list[str]:
    from relkit.cli.whatif_text import answer_text
    from relkit.whatif.questions import answer

    texts = []
    for number in numbers:
        tell(f"answering question {number}")
        made = answer(parts, number, rng=parts.study.decision.seed)
        texts.append(answer_text(made, parts.study.clock, parts.study.costs.currency))
    return texts


def _compared(parts: PlanParts, scenarios: Sequence[Scenario]) -> str:
    from relkit.cli.whatif_text import comparison_text
    from relkit.whatif.comparison import compare

    return comparison_text(compare(parts, scenarios, rng=parts.study.decision.seed))


def _simulated(parts: PlanParts, scenarios: Sequence[Scenario], histories: int) -> list[str]:
    from relkit.cli.whatif_text import histories_text
    from relkit.errors import StudyError
    from relkit.whatif.comparison_histories import simulated_difference

    texts = []
    for scenario in scenarios:
        try:
            table = simulated_difference(
                parts, scenario, histories=histories, rng=parts.study.decision.seed
            )
        except StudyError as error:
            texts.append(f"{scenario.name}: {error}")
            continue
        texts.append(f"{scenario.name}, {histories} histories\n{histories_text(table)}")
    return texts


def _levers(parts: PlanParts) -> str:
    from relkit.cli.whatif_text import levers_text
    from relkit.whatif.sensitivity import one_at_a_time, usual_levers

    scenario, levers = usual_levers(parts)
    costs = any(lever.path.startswith("changes.costs") for lever in levers)
    measure = "cost" if costs else "failures"
    return levers_text(one_at_a_time(parts, scenario, levers, measure=measure), measure)


def _saved(parts: PlanParts, numbers: Sequence[int], folder: Path) -> list[Path]:
    from relkit.errors import StudyError
    from relkit.present.scenario_files import scenario_file_name, write_scenario
    from relkit.whatif.questions import question_scenarios

    written = []
    for number in numbers:
        try:
            found = question_scenarios(parts, number)
        except StudyError:
            continue  # the answer above says why it has none
        for scenario in found:
            path = folder / scenario_file_name(f"{number:02d} {scenario.name}")
            written.append(write_scenario(scenario, path))
    return written
