"""The common look: seen by people who see no colour, or other colours."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from relkit.present.template import STYLES, alternative, figure_template, new_figure


def linear(colour: str) -> np.ndarray:
    """Linear light of an sRGB colour."""
    signs = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(signs <= 0.04045, signs / 12.92, ((signs + 0.055) / 1.055) ** 2.4)


def luminance(colour: str) -> float:
    return float(linear(colour) @ [0.2126, 0.7152, 0.0722])


def test_contrast_is_computed_as_published() -> None:
    # Source: W3C, Web Content Accessibility Guidelines 2.2, definition of contrast ratio: black
    # on white is 21 to 1; #767676 on white is the well-known 4.54 to 1 (second from memory).
    assert 1.05 / (luminance("#000000") + 0.05) == pytest.approx(21)
    assert 1.05 / (luminance("#767676") + 0.05) == pytest.approx(4.54, abs=0.01)


def test_lines_stand_out_on_white() -> None:
    # Source: W3C, Web Content Accessibility Guidelines 2.2, success criterion 1.4.11: 3 to 1.
    for style in STYLES:
        assert 1.05 / (luminance(style.colour) + 0.05) >= 3


@pytest.mark.parametrize("lacking", ["none", "green receptor", "red receptor"])
def test_the_first_three_colours_differ_to_colour_blind_eyes(lacking: str) -> None:
    # Source: F. Vienot, H. Brettel, J. Mollon, Color Research and Application 24, 1999: linear
    # RGB matrices for missing receptors (from memory). The bound is common practice: a
    # difference of 0.06 in linear light in some channel is seen.
    matrices = {
        "none": np.eye(3),
        "green receptor": [[0.29275, 0.70725, 0], [0.29275, 0.70725, 0], [-0.02234, 0.02234, 1]],
        "red receptor": [[0.11238, 0.88762, 0], [0.11238, 0.88762, 0], [0.00401, -0.00401, 1]],
    }
    seen = [np.asarray(matrices[lacking]) @ linear(style.colour) for style in STYLES[:3]]
    for one, other in combinations(seen, 2):
        assert np.abs(one - other).max() > 0.06


def test_colour_is_never_alone() -> None:
    # Source: W3C, Web Content Accessibility Guidelines 2.2, success criterion 1.4.1.
    assert len({style.dash for style in STYLES}) == len(STYLES)
    assert len({style.symbol for style in STYLES}) == len(STYLES)
    assert len({style.pattern for style in STYLES}) == len(STYLES)
    assert list(figure_template().layout.colorway) == [style.colour for style in STYLES]


def test_a_figure_carries_its_text() -> None:
    # Source: common practice.
    figure = alternative(new_figure("Age [h]", "Share"), "it lasts")
    assert figure.layout.meta["alternative"] == "It lasts."
    assert figure.layout.xaxis.title.text == "Age [h]"
