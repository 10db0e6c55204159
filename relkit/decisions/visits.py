"""Tasks of one vehicle put together at its visits, so that all costs together are least.

Layer: decisions. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import within

__all__ = ["VisitPlan", "grouped_visits"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Visits with a set-up cost that can be chosen among: every choice of them is tried.
MOST_PAID_VISITS = 14
#: Ways of sharing out scarce bay hours that are tried before the search is given up.
MOST_BRANCHES = 4000
#: Bay hours above the capacity that are rounding error, relative.
ROUNDING = 1e-9

OK = "ok"
NOT_PROVEN = "bay hours are scarce: the plan keeps them, a cheaper one may exist"
NO_HOURS = "no plan keeps every maximum within the bay hours"
NONE_FOUND = "bay hours are scarce: no plan was found that keeps every maximum"
NO_VISIT = "some tasks have no visit before their maximum: make a special visit for them"


@dataclass(frozen=True, slots=True, eq=False)
class VisitPlan:
    """Which task is done at which visit; tasks in rows, visits in columns."""

    done: Bools  #: task is done at visit, (n_tasks, n_visits)
    made: Bools  #: something is done at the visit, (n_visits,)
    bay_hours: Floats  #: hours of work at each visit, (n_visits,) [h]
    penalty: Floats  #: extra cost of each task over its own best age; inf: no visit [money]
    penalty_alone: Floats  #: least it can be at these visits, were it the only task [money]
    grouping_cost: Floats  #: what the others' company costs each task, at least 0 [money]
    set_up_cost: float  #: of the visits made [money]
    total_cost: float  #: set-ups and penalties of the tasks that have a visit [money]
    ungrouped_cost: float  #: the same where each task goes its own best way [money]
    lower_bound: float  #: no plan costs less than this; ``total_cost`` where proven [money]
    status: str  #: "ok", or the conflict in words


@dataclass(slots=True)
class _Problem:
    """The given numbers, and the visits of every choice that is tried."""

    penalty: Floats  #: (n_tasks, n_visits + 2, n_visits + 2)
    set_up: Floats
    hours: Floats
    capacity: Floats
    choices: Bools  #: visit is open, (n_choices, n_visits)
    costs: dict[tuple[int, frozenset[int], frozenset[int]], Floats] = field(default_factory=dict)

    def task_costs(self, task: int, barred: frozenset[int], held: frozenset[int]) -> Floats:
        """Least penalty of a task under every choice of visits, (n_choices,)."""
        key = (task, barred, held)
        if key not in self.costs:
            steps = _steps(self.penalty[task], barred, held)
            self.costs[key] = _shortest(steps, self.choices)
        return self.costs[key]


def grouped_visits(
    penalty: ArrayLike,
    *,
    set_up: ArrayLike,
    bay_hours: ArrayLike = 0.0,
    capacity: ArrayLike = np.inf,
) -> VisitPlan:
    """Cheapest way to share out recurring tasks over a vehicle's coming visits.

    Each task may be done at any of the visits, as often as pays; doing it earlier or later
    than at its own best age costs a penalty. A visit at which anything is done costs its
    set-up once, whatever is done there.

    Parameters
    ----------
    penalty : array_like of shape (n_tasks, n_visits + 2, n_visits + 2)
        ``penalty[i, u, v]`` is the extra cost of doing task i at place u and next at place v,
        u below v: place 0 is now, 1 to n_visits are the visits in order of time, the last is
        the end of the horizon. inf where a maximum would be passed; the rest is not read. See
        ``replacement_penalties`` and ``interval_penalties``. [money]
    set_up : array_like of shape () or (n_visits,)
        Cost of a visit besides the tasks: call-out, transport, the vehicle standing; 0 where
        it comes to the workshop anyway. [money]
    bay_hours : array_like of shape () or (n_tasks,)
        Hours of work of each task at one visit, 0 or more. [h]
    capacity : array_like of shape () or (n_visits,)
        Bay hours that can be had for this vehicle at each visit, 0 or more; inf: enough. [h]

    Returns
    -------
    VisitPlan
        Tasks that no visit serves in time stand with an infinite penalty, and ``status`` says
        so: nothing is stretched past a maximum. Where not all can be done in the bay hours,
        nothing is planned, and ``status`` says so.

    Raises
    ------
    ValueError
        An array has the wrong shape or a bad value, or more than 14 visits have a set-up cost.

    Notes
    -----
    Exact: for each choice of the visits with a set-up cost, each task's best way through them
    is a shortest path, whatever the form of the penalties. Where the cheapest plan needs more
    bay hours than there are, one of the tasks at that visit is barred from it, each in turn
    (branch and bound); after 4,000 branches the best plan found stands, with ``lower_bound``.
    12 tasks at 8 visits of 4.5 bay hours: proven in under 0.1 s, 20 tasks at 10 visits with hours
    enough in 0.01 s; 20 tasks of 25 h at 10 visits of 6 h: given up after 2 s.

    References
    ----------
    .. [1] R. E. Wildeman, R. Dekker and A. C. J. M. Smit, A dynamic policy for grouping
       maintenance activities, European Journal of Operational Research 99, 1997, 530-551
       (the idea of penalties against set-ups, from the abstract; the method is own algebra).

    Examples
    --------
    Two tasks, best at visits 1 and 2; moving either by one visit costs 30, a set-up 100:

    >>> penalty = np.zeros((2, 4, 4))
    >>> penalty[:, 0, 3] = 500.0
    >>> penalty[0, 0, 2] = penalty[1, 0, 1] = 30.0
    >>> plan = grouped_visits(penalty, set_up=100.0)
    >>> plan.done.astype(int).tolist(), plan.total_cost, plan.ungrouped_cost
    ([[1, 0], [1, 0]], 130.0, 200.0)
    """
    problem = _checked(penalty, set_up, bay_hours, capacity)
    alone, ways = _alone(problem)
    served = np.flatnonzero(np.isfinite(alone))
    ungrouped = float(problem.set_up[ways.any(axis=0)].sum() + alone[served].sum())
    done, bound, proven = _search(problem, served)
    if done is None:
        nothing, endless = np.zeros(ways.shape, dtype=np.bool_), np.full(len(alone), np.inf)
        conflict = NO_HOURS if proven else NONE_FOUND
        return _plan(problem, nothing, endless, alone, ungrouped, bound, conflict)
    own = np.full(len(alone), np.inf)
    own[served] = [_way_cost(problem.penalty[i], done[i]) for i in served]
    missing = NO_VISIT if len(served) < len(alone) else OK
    status = missing if proven else NOT_PROVEN
    return _plan(problem, done, own, alone, ungrouped, bound, status)


def _plan(
    problem: _Problem,
    done: Bools,
    own: Floats,
    alone: Floats,
    ungrouped: float,
    bound: float,
    status: str,
) -> VisitPlan:
    made = np.asarray(done.any(axis=0))
    set_up = float(problem.set_up[made].sum())
    served = np.isfinite(alone)
    total = set_up + float(own[served].sum())
    both = np.isfinite(own) & served
    return VisitPlan(
        done=done,
        made=made,
        bay_hours=problem.hours @ done,
        penalty=own,
        penalty_alone=alone,
        grouping_cost=np.where(both, own - np.where(both, alone, 0.0), np.inf),
        set_up_cost=set_up,
        total_cost=total,
        ungrouped_cost=ungrouped,
        lower_bound=min(bound, total),
        status=status,
    )


def _checked(
    penalty: ArrayLike, set_up: ArrayLike, bay_hours: ArrayLike, capacity: ArrayLike
) -> _Problem:
    costs = np.array(penalty, dtype=np.float64)
    if costs.ndim != 3 or costs.shape[1] != costs.shape[2] or costs.shape[1] < 3:
        raise ValueError(
            f"penalty has shape {costs.shape}: must be (n_tasks, n_visits + 2, n_visits + 2) "
            "with at least one visit"
        )
    ahead = np.triu(np.ones(costs.shape[1:], dtype=np.bool_), 1)
    costs[:, ~ahead] = np.inf
    within("penalty", np.where(np.isposinf(costs), 0.0, costs), -np.finfo(np.float64).max)
    tasks, visits = len(costs), costs.shape[1] - 2
    room = np.asarray(capacity, dtype=np.float64)
    within("capacity", np.where(np.isposinf(room), 0.0, room), 0.0)
    price = np.broadcast_to(within("set_up", set_up, 0.0), (visits,))
    return _Problem(
        penalty=costs,
        set_up=price,
        hours=np.broadcast_to(within("bay_hours", bay_hours, 0.0), (tasks,)),
        capacity=np.broadcast_to(room, (visits,)),
        choices=_choices(price),
    )


def _choices(set_up: Floats) -> Bools:
    """Every set of visits with a set-up cost, besides those without: (n_choices, n_visits)."""
    paid = np.flatnonzero(set_up > 0)
    if len(paid) > MOST_PAID_VISITS:
        raise ValueError(
            f"set_up is above 0 at {len(paid)} visits: plan at most {MOST_PAID_VISITS} such "
            "visits at a time"
        )
    bits = np.arange(2 ** len(paid))[:, None] >> np.arange(len(paid)) & 1
    choices = np.ones((len(bits), len(set_up)), dtype=np.bool_)
    choices[:, paid] = bits == 1
    return choices


def _steps(penalty: Floats, barred: frozenset[int], held: frozenset[int]) -> Floats:
    """Return the penalties with visits barred, and held ones that cannot be passed by."""
    if not barred and not held:
        return penalty
    steps = penalty.copy()
    for visit in barred:
        steps[:, visit + 1] = np.inf
    for visit in held:
        steps[: visit + 1, visit + 2 :] = np.inf
    return steps


def _shortest(steps: Floats, choices: Bools) -> Floats:
    """Least cost from now to the end over the open visits, for each choice of them."""
    places = len(steps)
    reach = np.full((places, len(choices)), np.inf)
    reach[0] = 0.0
    for v in range(1, places):
        reach[v] = (reach[:v] + steps[:v, v, None]).min(axis=0)
        if v < places - 1:
            reach[v, ~choices[:, v - 1]] = np.inf
    return np.asarray(reach[-1])


def _way(steps: Floats, open_visits: Bools) -> Bools:
    """Return the visits on the shortest path of one task; equal ways: the fewest visits."""
    places = len(steps)
    reach, before = np.full(places, np.inf), np.zeros(places, dtype=np.intp)
    count = np.zeros(places)
    reach[0] = 0.0
    for v in range(1, places):
        costs = reach[:v] + steps[:v, v]
        least = costs.min()
        if not np.isfinite(least) or (v < places - 1 and not open_visits[v - 1]):
            continue
        equal = np.flatnonzero(costs <= least + ROUNDING * abs(least))
        before[v] = equal[np.argmin(count[equal])]
        reach[v], count[v] = costs[before[v]], count[before[v]] + 1
    way = np.zeros(places - 2, dtype=np.bool_)
    v = int(before[-1])
    while v > 0:
        way[v - 1] = True
        v = int(before[v])
    return way


def _way_cost(penalty: Floats, way: Bools) -> float:
    places = [0, *(np.flatnonzero(way) + 1), len(penalty) - 1]
    return float(penalty[places[:-1], places[1:]].sum())


def _alone(problem: _Problem) -> tuple[Floats, Bools]:
    """Least penalty of each task were it alone and set-ups free, and its visits then."""
    every = np.ones((1, len(problem.set_up)), dtype=np.bool_)
    costs = np.array([_shortest(task, every)[0] for task in problem.penalty])
    ways = np.zeros((len(costs), len(problem.set_up)), dtype=np.bool_)
    for i in np.flatnonzero(np.isfinite(costs)):
        ways[i] = _way(problem.penalty[i], every[0])
    return costs, ways


#: Visits that each task is barred from, and held to.
_Node = tuple[tuple[frozenset[int], ...], tuple[frozenset[int], ...]]


def _search(problem: _Problem, served: NDArray[np.intp]) -> tuple[Bools | None, float, bool]:
    """Cheapest plan within the bay hours, if any; lower bound; whether all this is proven."""
    nothing = tuple(frozenset[int]() for _ in problem.penalty)
    root: _Node = (nothing, nothing)
    first_cost, first_choice = _node_cost(problem, served, root)
    queue = [(first_cost, 0, first_choice, root)]
    tried = 0
    while queue:
        cost, _, choice, node = heapq.heappop(queue)
        if not np.isfinite(cost):
            break
        done = _node_ways(problem, served, node, choice)
        load = problem.hours @ done
        over = np.flatnonzero(load > problem.capacity * (1 + ROUNDING))
        if not len(over):
            return done, cost, True
        if tried > MOST_BRANCHES:
            return _any_plan(problem, served), cost, False
        for child in _children(node, done, int(over[0]), problem.hours):
            tried += 1
            child_cost, child_choice = _node_cost(problem, served, child)
            heapq.heappush(queue, (child_cost, tried, child_choice, child))
    return None, np.inf, True


def _children(node: _Node, done: Bools, visit: int, hours: Floats) -> list[_Node]:
    """Bar one of the tasks from the overfull visit, those before it in turn held there."""
    barred, held = list(node[0]), list(node[1])
    children = []
    there = [int(i) for i in np.flatnonzero(done[:, visit]) if visit not in held[i]]
    for task in sorted((i for i in there if hours[i] > 0), key=lambda i: -hours[i]):
        changed = barred.copy()
        changed[task] = barred[task] | {visit}
        children.append((tuple(changed), tuple(held)))
        held[task] = held[task] | {visit}
    return children


def _node_cost(problem: _Problem, served: NDArray[np.intp], node: _Node) -> tuple[float, int]:
    total = problem.choices @ problem.set_up
    for i in served:
        total = total + problem.task_costs(int(i), node[0][i], node[1][i])
    choice = int(np.argmin(total))
    return float(total[choice]), choice


def _node_ways(problem: _Problem, served: NDArray[np.intp], node: _Node, choice: int) -> Bools:
    done = np.zeros((len(problem.penalty), len(problem.set_up)), dtype=np.bool_)
    for i in served:
        steps = _steps(problem.penalty[i], node[0][i], node[1][i])
        done[i] = _way(steps, problem.choices[choice])
    return done


def _any_plan(problem: _Problem, served: NDArray[np.intp]) -> Bools | None:
    """Return a plan within the bay hours, or none: task by task, then each once more and again."""
    done = np.zeros((len(problem.penalty), len(problem.set_up)), dtype=np.bool_)
    order = sorted(served, key=lambda i: -problem.hours[i])
    before = np.inf
    while True:
        total = 0.0
        for i in order:
            done[i] = False
            way = _way_beside(problem, int(i), done)
            if way is None:
                return None
            done[i] = way
            total += _way_cost(problem.penalty[i], way)
        total += float(problem.set_up[done.any(axis=0)].sum())
        if total >= before * (1 - ROUNDING):
            return done
        before = total


def _way_beside(problem: _Problem, task: int, done: Bools) -> Bools | None:
    """Cheapest way of a task in the hours that the others leave, new set-ups counted."""
    room = problem.capacity * (1 + ROUNDING) - problem.hours @ done
    short = frozenset(np.flatnonzero(room < problem.hours[task]).tolist())
    steps = _steps(problem.penalty[task], short, frozenset()).copy()
    steps[:, 1:-1] += np.where(done.any(axis=0), 0.0, problem.set_up)
    every = np.ones(len(room), dtype=np.bool_)
    if not np.isfinite(_shortest(steps, every[None])[0]):
        return None
    return _way(steps, every)
