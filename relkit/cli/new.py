"""The new and notes commands: a study file for files never described, and notes with their reading.

Layer: cli.
"""

from __future__ import annotations

import os
import textwrap
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.progress import stages
from relkit.errors import RelkitError

if TYPE_CHECKING:
    import pandas as pd

    from relkit.logbook.proposal import Proposal
    from relkit.logbook.read import RepairLog

__all__ = ["new", "notes"]


def new(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...",
            help="Files of the log and what comes with it: CSV, workbook or Parquet, in any order.",
            show_default=False,
        ),
    ],
    out: Annotated[
        Path, typer.Option("--out", help="Study file to write; paths in it are relative to it.")
    ] = Path("study.toml"),
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over a study file that is there already.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Show no progress.")] = False,
) -> None:
    """Write a study file for your own files, with every guess explained, for you to confirm.

    relkit looks at names and contents and guesses which file is the log, the register, the meter
    readings and the inspections, which column is which, the order of day and month (from all
    dates of a file; not decided where they do not tell), decimal signs, what meters count, and
    which words mean the same. Each guess stands in the study file with what speaks for it.

    Nothing takes effect unseen: what has to be looked at is listed under [confirm] in the file,
    and check and plan refuse the study until each statement there is true. Without a register,
    a list of what the log names is written beside the study, for you to complete.
    """  # fmt: skip
    from relkit.logbook.proposal import REGISTER, proposed_study
    from relkit.present.atomic import write_bytes
    from relkit.present.csv_files import write_table

    folder = out.parent
    register_path = folder / REGISTER
    _refuse_existing(out, replace=replace)
    with stages(quiet=quiet) as tell:
        tell("looking at the files")
        proposal = proposed_study(files, folder)
        if proposal.register is not None:
            _refuse_existing(register_path, replace=replace)
            write_table(proposal.register, register_path)
        write_bytes(out, proposal.text.encode("utf-8"))
        tell("trying to read them as proposed")
        tried = _tried(proposal, out)
    typer.echo(_proposal_text(proposal, out, tried))
    if proposal.register is not None:
        typer.echo(f"\nComplete this list first: {register_path}")
    typer.echo(f"\nNext: look at {out}, write true after each statement under [confirm], then")
    typer.echo(f"      relkit check {out}")


def notes(
    study: Annotated[
        Path, typer.Argument(metavar="STUDY", help="The study file (TOML).", show_default=False)
    ],
    out: Annotated[
        Path | None, typer.Option("--out", help="CSV file for every note beside its reading.")
    ] = None,
    rows: Annotated[int, typer.Option("--rows", min=1, help="Rows to show of each list.")] = 15,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Show no progress.")] = False,
) -> None:
    """Show how the free text of the log is read, and what is not understood.

    Each note stands beside the finding and action that the lexicon reads in it, the words they
    rest on and how sure that is. Add your own words under [lexicon] in the study file. Whether
    the reading is used for rows that leave finding or action blank is decided by read_notes
    under [treatments].
    """
    from relkit.cli.output import line_width
    from relkit.logbook.read import read_log
    from relkit.logbook.text_rows import notes_of_jobs
    from relkit.study.read import read_study

    settings = read_study(study)
    with stages(quiet=quiet) as tell:
        log = read_log(settings, progress=tell)
        tell("reading the notes")
        beside = notes_of_jobs(log, settings)
    least = settings.treatments.least_note_confidence
    typer.echo(_notes_text(beside, rows, line_width(), least))
    if out is not None:
        from relkit.present.csv_files import write_table

        _refuse_folder(out.parent)
        typer.echo(f"\nwritten: {write_table(beside, out)}")


def _refuse_existing(path: Path, *, replace: bool) -> None:
    if path.exists() and not replace:
        raise typer.BadParameter(
            f"{path} is there already: name another file with --out, or add --replace"
        )
    _refuse_folder(path.parent)


def _refuse_folder(folder: Path) -> None:
    if not folder.is_dir() or not os.access(folder, os.W_OK):
        raise typer.BadParameter(f"there is no folder {folder}, or it cannot be written to")


def _tried(proposal: Proposal, out: Path) -> str:
    """Return what reading would give if every statement were confirmed as it stands."""
    from relkit.logbook.read import read_log
    from relkit.study.read import study_from_mapping

    undecided = [one.label for one in proposal.sources if one.dates and not one.dates.order]
    if undecided:
        return (
            f"Not tried yet: the order of day and month is not decided for {', '.join(undecided)}."
        )
    given = tomllib.loads(proposal.text)
    given["confirm"] = dict.fromkeys(given["confirm"], True)
    try:
        return _accounts(read_log(study_from_mapping(given, path=out)))
    except RelkitError as error:
        return f"As it stands, reading stops here: {error}"


def _accounts(log: RepairLog) -> str:
    aside = log.set_aside.groupby("kind")
    lines = ["If all is confirmed as it stands:"]
    for kind, read in log.files.groupby("kind", sort=False)["rows"].sum().items():
        count = int((log.set_aside["kind"] == kind).sum())
        line = f"  {kind}: {int(read) - count:,} of {int(read):,} rows can be used"
        if count:
            reasons = aside.get_group(kind)["reason"].value_counts().head(3)
            told = ", ".join(f"{reason} {rows:,}" for reason, rows in reasons.items())
            line += f"; set aside: {told}"
        lines.append(line)
    return "\n".join(lines)


def _proposal_text(proposal: Proposal, out: Path, tried: str) -> str:
    from relkit.cli.output import line_width
    from relkit.present.text_table import text_table

    width = line_width()
    rows = [[one.label, one.kind, one.guess.reason] for one in proposal.sources]
    rows += [[guess.found.label, "not used", guess.reason] for guess in proposal.left_out]
    table = text_table(("file", "taken for", "because"), rows, numeric=[False] * 3, width=width)
    asked = "\n".join(
        textwrap.fill(one.text, width, initial_indent="- ", subsequent_indent="  ")
        for one in proposal.statements
    )
    return (
        f"{table}\n\nTo be confirmed in {out} ({len(proposal.statements)}):\n{asked}\n\n"
        + "\n".join(
            textwrap.fill(line, width, subsequent_indent="    ") for line in tried.split("\n")
        )
    )


def _doubtful_text(beside: pd.DataFrame, rows: int, width: int, least: float) -> list[str]:
    """Return the rows whose note is read, but not surely enough to be used."""
    from relkit.present.text_table import text_table

    doubt = (beside["finding"] != "") & (beside["finding_confidence"] < least)
    doubt |= (beside["action"] != "") & (beside["action_confidence"] < least)
    doubt &= (beside["row_finding"] == "") | (beside["row_action"] == "")
    if not doubt.any():
        return []
    listed = []
    for source, text, finding, action, also in zip(
        *(beside.loc[doubt, name] for name in ("source", "text", "finding", "action", "also")),
        strict=True,
    ):
        may_say = ", ".join(word for word in (finding, action, also) if word)
        listed.append([str(source), str(text), may_say])
    table = text_table(("row", "note", "may say"), listed[:rows], numeric=[False] * 3, width=width)
    head = (
        f"For a person: {len(listed):,} rows whose note can be read in two ways or only with "
        f"little confidence (below {least:g}); they stay blank."
    )
    return [textwrap.fill(head, width), table]


def _notes_text(beside: pd.DataFrame, rows: int, width: int, least: float) -> str:
    from relkit.logbook.text_notes import words_not_understood
    from relkit.present.text_table import text_table

    counts = beside["text"].value_counts()
    distinct = beside.drop_duplicates("text").set_index("text").loc[counts.index]
    read = (distinct["finding"] != "") | (distinct["action"] != "")
    total, understood = int(counts.sum()), int(counts[read].sum())
    told = distinct[read].head(rows)
    shown = [
        [f"{counts[text]:,}", str(text), finding, action, f"{confidence:.2f}"]
        for text, finding, action, confidence in zip(
            told.index, told["finding"], told["action"], told["confidence"], strict=True
        )
    ]
    titles = ("rows", "note", "finding", "action", "confidence")
    parts = [
        f"{total:,} rows have a note; a finding or action is read in {understood:,} of them.",
        text_table(titles, shown, numeric=[True, False, False, False, True], width=width),
    ]
    parts += _doubtful_text(beside, rows, width, least)
    unread = distinct[~read].reset_index(names="text")
    if len(unread):
        words = words_not_understood(unread, counts).head(rows)
        listed = [
            [f"{count:,}", word, example]
            for word, count, example in zip(
                words["word"], words["rows"], words["example"], strict=True
            )
        ]
        table = text_table(
            ("rows", "word", "such as"), listed, numeric=[True, False, False], width=width
        )
        parts += ["Words of notes in which nothing is read, the most frequent first:", table]
    return "\n\n".join(parts)
