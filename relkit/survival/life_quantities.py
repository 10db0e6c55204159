"""Lives by which a share failed, survival and mean lives, as functions of a family's parameters.

Layer: survival. Arrays in, arrays out; numpy only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from relkit.survival.families import FAMILIES, Family, FamilyName
from relkit.survival.mean_lives import mean_residual_lives

__all__ = ["PARAMETERS", "Quantity", "quantities_of"]

Floats = NDArray[np.float64]
#: Gives a value (n,) for parameters (n, k) and thresholds (n,).
Value = Callable[[Floats, Floats], Floats]

#: Parameters by family, in the order of theta: name, and the sign with which its log is theta;
#: 0: theta is the parameter itself.
PARAMETERS: dict[str, tuple[tuple[str, int], ...]] = {
    "exponential": (("scale", 1),),
    "Weibull": (("scale", 1), ("shape", -1)),
    "Weibull with threshold": (("scale", 1), ("shape", -1)),
    "lognormal": (("log_mean", 0), ("log_std_dev", 1)),
    "loglogistic": (("scale", 1), ("shape", -1)),
    "gamma": (("scale", 1), ("shape", 1)),
    "generalised gamma": (("log_location", 0), ("log_spread", 1), ("skew", 0)),
}


@dataclass(frozen=True, slots=True, eq=False)
class Quantity:
    """One number that follows from the parameters, on a scale without bounds, and back."""

    name: str  #: a parameter, "life", "survival" or "mean life"
    reached: float  #: age that was reached; 0: from new [clock]
    at: float  #: share failed of a life, time of a survival; NaN for the others
    free: Value  #: the quantity on its free scale
    back: Callable[[Floats], Floats]  #: from the free scale; may turn the order round


def quantities_of(
    family: FamilyName,
    *,
    shares: Sequence[float],
    ages: Sequence[float],
    reached: Sequence[float],
) -> list[Quantity]:
    """Parameters, then for each age reached: lives by shares, survival of ages, mean life."""
    found = [_parameter(column, *named) for column, named in enumerate(PARAMETERS[family])]
    if FAMILIES[family].threshold:
        found.append(Quantity("threshold", 0.0, np.nan, lambda _, off: off.copy(), _same))
    for begun in reached:
        found += [_life(family, begun, p) for p in shares]
        found += [_survival(family, begun, time) for time in ages]
        found.append(_mean(family, begun))
    return found


def _same(free: Floats) -> Floats:
    return free


def _exp(free: Floats) -> Floats:
    with np.errstate(over="ignore"):  # infinite is right for an open limit
        return np.exp(free)


def _survival_of(free: Floats) -> Floats:
    """Survival from the log of the cumulative hazard."""
    return np.exp(-_exp(free))


def _parameter(column: int, name: str, sign: int) -> Quantity:
    if not sign:
        return Quantity(name, 0.0, np.nan, lambda theta, _: theta[:, column], _same)
    return Quantity(name, 0.0, np.nan, lambda theta, _: sign * theta[:, column], _exp)


def _log_survival(kind: Family, theta: Floats, off: Floats, age: float) -> Floats:
    alive = age <= off
    logs = kind.log_survival(theta, np.log(np.where(alive, 1.0, age - off)))
    return np.where(alive, 0.0, logs)


def _life(family: FamilyName, begun: float, p: float) -> Quantity:
    kind = FAMILIES[family]

    def free(theta: Floats, off: Floats) -> Floats:
        with np.errstate(all="ignore"):  # far-off parameters, as limits try them: NaN or infinite
            before = _log_survival(kind, theta, off, begun)
            log_age = kind.log_age(theta, before + np.log1p(-p))
            if begun == 0 and not kind.threshold:
                return log_age
            return np.log(np.exp(log_age) + off - begun)

    return Quantity("life", begun, p, free, _exp)


def _survival(family: FamilyName, begun: float, time: float) -> Quantity:
    kind = FAMILIES[family]

    def free(theta: Floats, off: Floats) -> Floats:
        with np.errstate(all="ignore"):
            hazard = _log_survival(kind, theta, off, begun)
            return np.log(hazard - _log_survival(kind, theta, off, begun + time))

    return Quantity("survival", begun, time, free, _survival_of)


def _mean(family: FamilyName, begun: float) -> Quantity:
    def free(theta: Floats, off: Floats) -> Floats:
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            return np.log(mean_residual_lives(family, theta, np.full(len(theta), begun), off))

    return Quantity("mean life", begun, np.nan, free, _exp)
