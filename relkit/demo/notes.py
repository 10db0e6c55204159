"""Free text of the repair log: plain sentences, trade shorthand and typing errors.

Layer: demo. ``{place}`` in a phrase is the mounting location.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["mistyped", "plain_notes", "shorthand_notes"]

#: What happened and to which component -> plain sentence and shorthand, several of each.
_PHRASES: dict[tuple[str, str], tuple[tuple[str, str], ...]] = {
    ("failed", "camera"): (
        ("View {place} dark, camera replaced.", "{place} cam dead, new cam ftd"),
        ("No picture {place}, water in camera.", "no pic {place}, cam full of water. renewed"),
        ("Picture {place} foggy, camera renewed.", "{place} cam fogged up chngd cam ok now"),
    ),
    ("failed", "cable"): (
        ("View {place} dark, cable broken.", "{place} view blk, cable u/s, new lead in"),
        ("Pins corroded in plug {place}, cable replaced.", "pins green at {place}, new cable ftd"),
        ("Picture {place} intermittent, cable chafed through.", "{place} in + out, lead chafed"),
    ),
    ("failed", "switcher"): (
        ("All views dark, switcher replaced.", "all views blk. switcher box u/s, swapped"),
        ("Wrong view shown, switcher renewed.", "wrong pic comes up, new swtchr"),
    ),
    ("failed", "main video lead"): (
        ("All views dark, lead to cab replaced.", "nothing on any view, main lead brkn"),
    ),
    ("failed", "display"): (
        ("Display dead, replaced.", "screen dead, new one ftd"),
        ("Display shows lines only, replaced.", "lines on monitor, chngd"),
    ),
    ("failed", "trigger wire"): (
        ("View does not come up on {place}, wire renewed.", "no view on {place}, feed wire u/s"),
    ),
    ("checked", ""): (
        ("Found at service: no picture {place}, renewed.", "srv: {place} not wrkng, renewed"),
    ),
    ("impact", "camera"): (
        ("Camera {place} torn off by a branch.", "{place} cam knocked off, tree"),
        ("Camera {place} crushed against a post.", "hit post, {place} cam smashed"),
    ),
    ("wash lance", "camera"): (
        ("Camera {place} flooded by the wash lance.", "{place} cam lanced at washdown"),
    ),
    ("campaign", "switcher"): (
        ("Retrofit: switcher of new design fitted.", "new type switcher as per retrofit list"),
    ),
    ("planned", "camera"): (
        ("Camera {place} changed at a service, still good.", "{place} cam chngd at srv, was gd"),
    ),
    ("with partner", ""): (
        ("Replaced with the other part of the view.", "ch'd both cam + lead {place} to be safe"),
    ),
    ("guessed", ""): (
        ("Replaced on suspicion, {place} still dark.", "chngd this 1st, {place} still blk"),
    ),
    ("returned good", "camera"): (
        ("Replaced on suspicion; supplier returned the old one as good.",
         "chngd {place} cam, still blk. old cam bk from supplier tested ok"),
    ),
    ("cured", ""): (
        ("Second visit: this part cured {place}.", "back again {place}, this cured it. other ok"),
    ),
    ("joint re-made", "cable"): (
        ("Cable {place} cut back and joint re-made.", "cut back lead {place} + re-made joint"),
    ),
    ("no fault found", ""): (
        ("Reported dark {place}, no fault found.", "{place} tested ok nff"),
        ("Driver reports {place} flickering, works on test.", "cant fault {place}, all ok"),
    ),
    ("reseated", ""): (
        ("Plug {place} loose, reseated.", "plug loose {place} pushed back in ok"),
        ("Water in connector {place}, dried and reseated.", "dried out conn {place}, ok"),
    ),
    ("cleaned", ""): (
        ("Lens {place} dirty, cleaned.", "lens {place} filthy wiped clean"),
        ("Grit on lens {place}, wiped.", "wiped {place} lens, salt on it"),
    ),
    ("test swap", ""): (
        ("Cameras swapped to test, fault followed.", "swpd cams to test {place}, flt followed cam"),
    ),
    ("swapped back", ""): (
        ("Good camera used for a test, put back.", "used for swap test, back on {place} ok"),
    ),
    ("several dark", ""): (
        ("View {place} came back when the cable was unplugged.", "{place} bk ok when lead unplugd"),
    ),
    ("not fitted", ""): (
        ("View {place} reported dark: never fitted.", "driver says {place} blk. no cam on this 1!"),
    ),
    ("power feed", ""): (
        ("Supply fuse blown, replaced.", "blown fuse, no power to box. fuse 5A"),
    ),
    ("taken", ""): (
        ("Camera {place} taken for {other}, new one fitted.", "{place} cam robbed for {other}"),
    ),
    ("given", ""): (
        ("Camera {place} dead, one from {other} fitted.", "{place} dead, put cam ex {other} on"),
    ),
    ("labour", ""): (("Labour.", "labour"), ("Invoice.", "inv. parts")),
}  # fmt: skip


def plain_notes(
    rng: np.random.Generator,
    what: Sequence[str] | NDArray[np.object_],
    component: Sequence[str] | NDArray[np.object_],
    place: Sequence[str] | NDArray[np.object_],
) -> list[str]:
    """One sentence for each row, from what happened to which component where."""
    return _notes(rng, 0, what, component, place)


def shorthand_notes(
    rng: np.random.Generator,
    what: Sequence[str] | NDArray[np.object_],
    component: Sequence[str] | NDArray[np.object_],
    place: Sequence[str] | NDArray[np.object_],
) -> list[str]:
    """One scribble for each row, as the trade writes it."""
    return _notes(rng, 1, what, component, place)


def _notes(
    rng: np.random.Generator,
    form: int,
    what: Sequence[str] | NDArray[np.object_],
    component: Sequence[str] | NDArray[np.object_],
    place: Sequence[str] | NDArray[np.object_],
) -> list[str]:
    draws = rng.integers(0, 60, len(what))  # 60: every number of phrases divides it
    texts = []
    for event, kind, where, draw in zip(what, component, place, draws, strict=True):
        phrases = _PHRASES.get((event, kind)) or _PHRASES[event, ""]
        texts.append(phrases[draw % len(phrases)][form].replace("{place}", where))
    return texts


def mistyped(rng: np.random.Generator, texts: Sequence[str], *, share: float) -> list[str]:
    """Return the texts, a share of them with two letters swapped or one left out."""
    chosen, place, kind = rng.random((3, len(texts)))
    result = []
    for text, own, where, how in zip(texts, chosen, place, kind, strict=True):
        at = 1 + int(where * max(len(text) - 3, 0))
        if own >= share or len(text) < 6 or not text[at : at + 2].isalpha():
            result.append(text)
        elif how < 0.5:
            result.append(text[:at] + text[at + 1] + text[at] + text[at + 2 :])
        else:
            result.append(text[:at] + text[at + 1 :])
    return result
