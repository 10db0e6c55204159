"""The page: complete, self-contained, escaped, the same for the same plan."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from relkit.plan.result import Plan
from relkit.present.cautions import CAUTIONS
from relkit.present.page import write_page

SCRIPT = re.compile(r"<script([^>]*)>(.*?)</script>", re.DOTALL)


class Outline(HTMLParser):
    """Tags in order, texts outside scripts and styles, and what is left open."""

    VOID = frozenset(["meta", "link", "input", "br"])

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(  # noqa: D102 (of the base class)
        self, tag: str, attrs: list[tuple[str, str | None]]
    ) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:  # noqa: D102 (of the base class)
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:  # noqa: D102 (of the base class)
        if self.open and self.open[-1] not in ("script", "style"):
            self.text.append(data)


def page_of(plan: Plan, folder: Path) -> str:
    return write_page(plan, folder / "plan.html").read_text(encoding="utf-8")


def outline(page: str) -> Outline:
    found = Outline()
    found.feed(page)
    found.close()
    return found


@pytest.fixture(scope="module")
def page(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> str:
    return page_of(plan, tmp_path_factory.mktemp("page"))


def test_elements_are_closed_in_order(
    page: str, hostile: Plan, empty: Plan, tmp_path: Path
) -> None:
    # Source: HTML living standard; the parser of the standard library, strict about nesting.
    for text in (page, page_of(hostile, tmp_path), page_of(empty, tmp_path)):
        assert outline(text).open == []


def test_every_part_is_there(page: str) -> None:
    # Source: what the first screen and the engineer's part have to hold.
    ids = {attributes.get("id") for _, attributes in outline(page).tags}
    parts = "do hurts unknown due intervals curves fits spares quality assumptions"
    assert set(parts.split()) <= ids
    links = {a["href"] for tag, a in outline(page).tags if tag == "a"}
    assert links <= {f"#{name}" for name in ids if name}


def test_what_every_output_has_to_say(page: str) -> None:
    # Source: log period, data grade, treatments, version, seed, redo date; the safety lines.
    text = " ".join(" ".join(outline(page).text).split())
    for words in (
        "1 Jan 2021 to 30 Jun 2025",
        "Usable with care",
        "31 Dec 2025",
        "cause shared",
        "relkit 0.1.0, seed 1",
        "FILE:ROW",
        "jobs_2024.csv:120",
        "View test at least every 13 weeks (company)",
    ):
        assert words in text, words
    for caution in CAUTIONS:
        assert caution.text in text


def test_rows_read_are_used_or_set_aside(page: str) -> None:
    # Source: the made plan: 828 + 58 rows of the log, 600 + 6 of the register.
    cells = re.findall(r'<td class="num">([\d,]+)</td>', page.split("Every row is accounted")[1])
    assert cells[:6] == ["886", "828", "58", "606", "600", "6"]


def test_first_screen_has_no_greek_and_no_code(page: str) -> None:
    # Source: the manager's page is in plain words.
    first = page.split('<section id="due">')[0].split("<main")[1]
    text = " ".join(outline(f"<main{first}").text)
    assert not re.search("[\u0370-\u03ff]|_|Weibull", text)


def test_nothing_is_asked_from_elsewhere(page: str) -> None:
    # Source: common practice: no address outside scripts, and a policy that forbids fetching.
    for tag, attributes in outline(page).tags:
        for name in ("src", "srcset", "action", "data", "poster"):
            assert not attributes.get(name), (tag, name)
        if "href" in attributes:
            assert str(attributes["href"]).startswith(("#", "data:,"))
    assert "@import" not in page.split("</style>")[0]
    assert "url(" not in page.split("</style>")[0]
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)
    assert policy is not None
    assert policy[1].startswith("default-src &#39;none&#39;")
    assert "unsafe-eval" not in policy[1]
    assert "http" not in policy[1]


def test_policy_allows_exactly_the_scripts_of_the_page(page: str) -> None:
    # Source: W3C, Content Security Policy level 3: hash of the text of each script.
    scripts = [text for attributes, text in SCRIPT.findall(page) if "json" not in attributes]
    assert len(scripts) == 2
    assert sum("plotly.js v" in text[:400] for text in scripts) == 1
    for text in scripts:
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert digest in page


def test_figures_are_data_with_a_text(page: str) -> None:
    # Source: common practice: each drawn figure has its data and its text alternative.
    store = next(json.loads(text) for kind, text in SCRIPT.findall(page) if "json" in kind)
    drawn = [a for _, a in outline(page).tags if "data-figure" in a]
    assert {a["data-figure"] for a in drawn} == set(store["figures"])
    assert all(len(str(a["aria-label"])) > 20 for a in drawn)
    assert all("template" not in figure["layout"] for figure in store["figures"].values())


def test_wild_names_stay_text(hostile: Plan, tmp_path: Path) -> None:
    # Source: common practice: nothing that a log holds becomes markup or a script.
    page = page_of(hostile, tmp_path)
    assert "<script>alert" not in page
    assert len(SCRIPT.findall(page)) == 3
    tags = {tag for tag, _ in outline(page).tags}
    assert "i" not in tags
    text = " ".join(outline(page).text)
    assert "Fleet <b></script><script>alert(1)</script>" in text
    store = next(text for kind, text in SCRIPT.findall(page) if "json" in kind)
    assert not set("<>&") & set(store)


def test_same_plan_same_bytes(plan: Plan, page: str, tmp_path: Path) -> None:
    # Source: a run is a function of study and files.
    assert page_of(plan, tmp_path) == page


def test_long_tables_are_cut_and_say_so(plan: Plan, tmp_path: Path) -> None:
    # Source: own algebra.
    import dataclasses

    import pandas as pd

    long = dataclasses.replace(plan, set_aside=pd.concat([plan.set_aside] * 5))
    text = page_of(long, tmp_path)
    assert "The first 200 of 320 rows; all are in tables/set_aside.csv." in text
