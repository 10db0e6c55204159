"""How one item's stay ends: by failure, by a report, at a check, at a look or by plan.

Layer: whatif. numpy only; many items at once, each knowing nothing of the others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from relkit.whatif.fleet_model import FleetModel
from relkit.whatif.simulation_numbers import Keys, uniforms

__all__ = ["EVIDENT", "FOUND", "PLANNED", "PREVENTED", "REPORTED", "Ends", "Starts", "life_ends"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: How a stay ends.
EVIDENT, FOUND, REPORTED, PREVENTED, PLANNED = range(5)
#: What random numbers are for.
LIFE, REPAIR, DETECTION, REPORT, WARNING, DEMANDS, EXTRA = range(7)


@dataclass(frozen=True, slots=True, eq=False)
class Starts:
    """Items that begin a stay; one value each."""

    position: Integers  #: row of the fleet
    base: Keys  #: start of its random numbers
    renewal: Integers  #: number of the life at the position
    shape: Floats  #: [1]
    scale: Floats  #: [clock]
    use: Floats  #: use of the vehicle since the start of the history [clock]
    age: Floats  #: of the item [clock]
    service_share: Floats  #: where the vehicle stands between services, 0 to 1 [1]
    check_share: Floats  #: the same between checks [1]
    extra: Floats  #: (n, n_extra) use at which extra checks come [clock]; NaN: none


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """How these stays end."""

    use: Floats  #: use of the vehicle at the end [clock]; inf: never
    failure: Floats  #: use at which the item fails, or would [clock]
    kind: NDArray[np.int8]  #: EVIDENT, FOUND, REPORTED, PREVENTED or PLANNED


def life_ends(model: FleetModel, starts: Starts) -> Ends:
    """Return how stays end where nothing has to be waited for."""
    draw = -np.log(uniforms(starts.base, starts.renewal, LIFE))
    used = starts.age > 0
    if used.any():
        draw[used] += (starts.age[used] / starts.scale[used]) ** starts.shape[used]
    left = starts.scale * draw ** (1 / starts.shape) - starts.age
    # a rest of 0 to the last digit would end the stay at its start
    failure = starts.use + np.maximum(left, 1e-9 * starts.scale)
    use, kind = failure.copy(), np.zeros(len(failure), dtype=np.int8)
    hidden = np.flatnonzero(model.hidden[starts.position])
    if len(hidden):
        use[hidden], kind[hidden] = _found(model, starts, hidden, failure[hidden])
    looked = np.flatnonzero(
        ~model.hidden[starts.position] & (model.warning_time[starts.position] > 0)
    )
    if len(looked):
        use[looked], kind[looked] = _looked(model, starts, looked, failure[looked])
    planned = np.flatnonzero(np.isfinite(model.replacement_age[starts.position]))
    if len(planned):
        due = _planned(model, starts, planned)
        earlier = due < use[planned]
        use[planned[earlier]] = due[earlier]
        kind[planned[earlier]] = PLANNED
    return Ends(use=use, failure=failure, kind=kind)


def _planned(model: FleetModel, starts: Starts, who: Integers) -> Floats:
    """Use at which items are replaced by plan: at the service nearest to the age."""
    place = starts.position[who]
    due = starts.use[who] + np.maximum(model.replacement_age[place] - starts.age[who], 0.0)
    spacing = model.service_spacing[place]
    at_service = np.flatnonzero(spacing > 0)
    if len(at_service):
        step = spacing[at_service]
        first = starts.service_share[who[at_service]] * step
        number = np.rint((due[at_service] - first) / step)
        begun = np.floor((starts.use[who[at_service]] - first) / step) + 1
        due[at_service] = first + np.maximum(number, begun) * step
    return np.asarray(due)


def _next_check(
    model: FleetModel, starts: Starts, who: Integers, since: Floats, purpose: int
) -> Floats:
    """Use at the first check after ``since`` that finds something; inf: none."""
    place, renewal = starts.position[who], starts.renewal[who]
    every, detection = model.check_interval[place], model.detection[place]
    first = model.first_check[place]
    regular = np.full(len(who), np.inf)
    checked = np.flatnonzero(np.isfinite(every))
    if len(checked):
        step = every[checked]
        own = first[checked]
        begin = np.where(np.isnan(own), starts.check_share[who[checked]] * step, own)
        number = np.maximum(np.ceil((since[checked] - begin) / step), 0.0)
        missed = _missed(
            uniforms(starts.base[who[checked]], renewal[checked], purpose), detection[checked]
        )
        regular[checked] = begin + (number + missed) * step
    for column in range(starts.extra.shape[1]):
        at = starts.extra[who, column]
        luck = uniforms(starts.base[who], renewal, EXTRA + column)
        finds = (at > since) & (luck < detection)
        regular = np.where(finds, np.fmin(regular, at), regular)
    return regular


def _missed(luck: Floats, detection: Floats) -> Floats:
    """Return how many checks find nothing before one does: geometric."""
    perfect = detection >= 1
    with np.errstate(divide="ignore"):
        missed = np.floor(np.log(luck) / np.log1p(-detection))
    return np.where(perfect, 0.0, missed)


def _found(
    model: FleetModel, starts: Starts, who: Integers, failure: Floats
) -> tuple[Floats, NDArray[np.int8]]:
    """When hidden failures are found, and how."""
    place = starts.position[who]
    check = _next_check(model, starts, who, failure, DETECTION)
    rate = model.demand_rate[place] * model.report_share[place]
    luck = -np.log(uniforms(starts.base[who], starts.renewal[who], REPORT))
    with np.errstate(divide="ignore"):
        report = failure + luck / rate
    kind = np.where(report < check, REPORTED, FOUND).astype(np.int8)
    return np.minimum(report, check), kind


def _looked(
    model: FleetModel, starts: Starts, who: Integers, failure: Floats
) -> tuple[Floats, NDArray[np.int8]]:
    """When items are taken out because a look found a defect, or fail before."""
    luck = -np.log(uniforms(starts.base[who], starts.renewal[who], WARNING))
    visible = failure - luck * model.warning_time[starts.position[who]]
    since = np.maximum(visible, starts.use[who])
    look = _next_check(model, starts, who, since, DETECTION)
    kind = np.where(look < failure, PREVENTED, EVIDENT).astype(np.int8)
    return np.minimum(look, failure), kind
