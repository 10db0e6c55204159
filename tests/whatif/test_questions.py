"""All 24 questions can be asked of the demo, each with an answer that moves the right way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.whatif.comparison import compare
from relkit.whatif.questions import QUESTIONS, answer, question_scenarios
from relkit.whatif.questions_data import record_values
from relkit.whatif.questions_future import months_until_known
from relkit.whatif.questions_hindsight import hindsight, log_until
from relkit.whatif.scenario import Scenario

DRAWS = 15
#: What each question's scenarios must change for certain: question -> scenario, measure, sign.
SIGNS = {
    1: [(0, "checks", 1), (0, "dark_time", -1)],
    2: [(0, "cost", 1), (1, "planned", 1)],
    3: [(0, "dark_time", -1), (1, "dark_time", -1)],
    4: [(0, "failures", -1), (0, "yearly_cost", -1)],
    5: [(0, "failures", -1)],
    6: [(0, "planned", 1), (2, "planned", -1)],
    7: [(0, "failures", 1), (0, "dark_time", 1)],
    8: [(0, "failures", 1), (1, "failures", 1)],
    9: [(0, "planned", 1)],
    13: [(0, "cost", 1)],
    15: [(0, "failures", -1), (0, "visits", 1)],
    16: [(0, "waiting_days", -1), (1, "waiting_days", 1), (2, "waiting_days", -1)],
    17: [(0, "waiting_days", 1), (0, "spares", 1)],
    18: [(0, "failures", -1)],
    21: [(0, "checks", 1), (0, "dark_time", -1)],
    22: [(0, "checks", 1)],
}


def quick(scenario: Scenario) -> Scenario:
    """Return the scenario with changes of the data tried once."""
    data = scenario.changes.data
    if data is None:
        return scenario
    return replace(scenario, changes=replace(scenario.changes, data=replace(data, repeats=1)))


def test_there_are_24_in_order() -> None:
    # Source: the list of questions of the job.
    assert [question.number for question in QUESTIONS] == list(range(1, 25))
    assert all((q.scenarios is None) != (q.table is None) for q in QUESTIONS)


@pytest.mark.parametrize("number", [q.number for q in QUESTIONS if q.scenarios is not None])
def test_each_is_answered_and_moves_the_right_way(dirty: PlanParts, number: int) -> None:
    # Source: signs that follow from what is changed; none where it depends on the study.
    scenarios = [quick(scenario) for scenario in question_scenarios(dirty, number)]
    found = compare(dirty, scenarios, draws=DRAWS)
    assert set(found.measures["scenario"]) == {scenario.name for scenario in scenarios}
    assert np.isfinite(found.measures[["today", "then", "difference"]]).all(axis=None)
    assert (found.measures["lower"] <= found.measures["upper"]).all()
    for place, measure, sign in SIGNS.get(number, []):
        row = found.difference(scenarios[place].name, measure)
        assert sign * row["difference"] > 0, (number, measure)


def test_a_break_even_value_comes_with_its_question(clean: PlanParts) -> None:
    # Source: a better item pays only above a life factor of 1 when it costs more.
    made = answer(clean, 4, draws=DRAWS)
    assert made.even is not None
    assert made.even.value > 1.0


def test_a_study_that_cannot_be_asked_says_why(clean: PlanParts) -> None:
    # Source: the clean log has no job of unknown cause.
    made = answer(clean, 10, draws=DRAWS)
    assert made.comparison is None
    assert made.reason == "log: no job of the log has an unknown cause"
    with pytest.raises(StudyError, match="they go from 1 to 24"):
        answer(clean, 25)
    with pytest.raises(StudyError, match="has a table of its own"):
        question_scenarios(clean, 14)


def test_a_range_narrows_as_the_log_goes_on(clean: PlanParts) -> None:
    # Source: more data, narrower ranges; roughly with the root of the failures.
    table = months_until_known(clean, rng=2, repeats=2)
    assert (table["range_120"] < table["range"]).all()
    known = table[table["months"].notna()]
    assert len(known) >= 3
    more = known["failures_by_then"] / known["failures"]
    assert more.median() == pytest.approx(3.0, abs=2.5)  # four times the failures, by the root


def test_a_log_until_a_day_knows_nothing_later(clean: PlanParts) -> None:
    # Source: invariant.
    day = pd.Timestamp("2024-01-01")
    log = log_until(clean.log, day)
    assert (log.jobs["date"] < day).all()
    assert (log.readings["date"] < day).all()
    assert not (log.fitments["fitted_on"] >= day).any()
    assert len(log.jobs) < len(clean.log.jobs)


def test_hindsight_counts_failures_as_a_plain_count_does(clean: PlanParts) -> None:
    # Source: second count in the test, over the rows of the lives.
    table = hindsight(clean)
    lives = clean.found.lives
    since = pd.Timestamp(clean.tables.observed_until) - pd.Timedelta(days=365.25)
    for row in table.to_dict("records"):
        own = lives[lives["component"].eq(row["component"])
                    & lives["stratum_location"].eq(row["location"])
                    & lives["ended_on"].gt(since.normalize()) & lives["failed"]]  # fmt: skip
        assert row["failures"] <= len(own)
        assert row["failures"] >= len(own) - 6  # items that came to the fleet since
        assert 0 <= row["avoided"] <= min(row["failures"], row["replaced"])
        late = (own["age"] > row["interval"] * 1.35).sum()
        assert row["avoided"] >= late - 3
    assert table["avoided"].sum() > 0.25 * table["failures"].sum()


def test_losing_the_dates_of_fitting_widens_the_range(dirty: PlanParts) -> None:
    # Source: most first lives are then lost.
    table = record_values(dirty, rng=1, repeats=1, data=("fitted dates",)).set_index(
        ["datum", "case"]
    )
    today = table.loc[("", "today")]
    lost = table.loc[("fitted dates", "without")]
    assert lost["lives"] < 0.7 * today["lives"]
    assert lost["range"] > 1.2 * today["range"]
    assert table.loc[("fitted dates", "in full"), "range"] < today["range"]
    assert ("serials", "in full") not in table.index
    assert len(table) == 3
