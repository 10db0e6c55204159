"""``import relkit`` stays light and its public names load when first used."""

from __future__ import annotations

import subprocess
import sys

import relkit

HEAVY = ("pandas", "matplotlib", "lifelines", "reliability", "plotly", "scipy.stats")


def loaded_after(code: str) -> set[str]:
    script = f"import sys\n{code}\nprint('\\n'.join(sys.modules))"
    call = [sys.executable, "-c", script]
    done = subprocess.run(call, capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_import_loads_nothing_heavy() -> None:
    # Source: common practice; what costs start-up time is loaded when it is used.
    modules = loaded_after("import relkit")
    assert modules.isdisjoint({*HEAVY, "numpy", "scipy"})
    assert "relkit" in modules


def test_main_path_never_loads_scipy_stats_or_plots() -> None:
    # Source: common practice; scipy.special has what the numerics need.
    modules = loaded_after("import relkit; [getattr(relkit, n) for n in relkit.__all__]")
    assert modules.isdisjoint({"scipy.stats", "matplotlib", "lifelines", "reliability", "plotly"})


def test_every_public_name_can_be_reached() -> None:
    # Source: common practice.
    for name in relkit.__all__:
        assert callable(getattr(relkit, name))
        assert name in dir(relkit)
