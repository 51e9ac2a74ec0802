"""The gouge's geometry: the cross-section of a strip of cane from three thickness readings.

The bark is an arc of the tube's circle. The gouger's blade leaves an inner surface that is an arc
of another circle. Three readings (centre, left, right) determine that inner circle, and with it the
thickness anywhere across, the cross-section's area and the strip's volume.

Conventions: the origin is the tube's centre, the strip's centre line points up, left is negative.
`width_mm` and `side_at_mm` are measured straight across with a rule, not along the bark. Thickness
is measured along the tube's radius, and the strip's two edges are radial, as splitting leaves them.
"""

from __future__ import annotations

from inspect import getfullargspec
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from reedlab.cane.readings import USUAL, Floats, floats, propagate, sd_of_step


class InnerCircle(NamedTuple):
    """The circle that the gouge left."""

    radius_mm: Floats  # negative where the readings would leave an inner face that bulges
    across_mm: Floats  # its centre, to the right of the centre line: the offset of the blade
    up_mm: Floats  # its centre, above the tube's: 0 is an even wall, negative one of thinner sides


def asymmetry_mm(left_mm: ArrayLike, right_mm: ArrayLike) -> Floats:
    """Return how much thicker the left side is than the right.

    Up to 0.01 mm counts as symmetric, 0.02 mm as tolerable (common practice, no source).
    """
    return floats(left_mm) - floats(right_mm)


def inner_circle(
    diameter_mm: ArrayLike,
    centre_mm: ArrayLike,
    left_mm: ArrayLike,
    right_mm: ArrayLike,
    side_at_mm: ArrayLike,
) -> InnerCircle:
    """Return the circle (mm) through the three measured points of the inner face; NaN for none.

    Use it to compare the cut of two gougers, or of one gouger before and after sharpening. The tube
    has an outer diameter; thickness is read at the centre line and at `side_at_mm`, straight
    across, to its left and right.

    An even wall is a circle about the tube's own centre:

    >>> even = inner_circle(10.25, 0.6, 0.6, 0.6, 3.5)
    >>> [round(float(x), 3) + 0.0 for x in even]
    [4.525, 0.0, 0.0]
    """
    bark = floats(diameter_mm) / 2.0
    with np.errstate(invalid="ignore", divide="ignore"):
        # Polar angle of the side readings, then each inner point's distance from the tube's centre.
        angle = np.arcsin(floats(side_at_mm) / bark)
        top = bark - floats(centre_mm)
        left = bark - floats(left_mm)
        right = bark - floats(right_mm)
        # With the top point T as origin, the centre c of a circle through T and P has P·c = |P|²/2.
        # Left and right point give two linear equations in c, solved by Cramer's rule.
        x1, y1 = -left * np.sin(angle), left * np.cos(angle) - top
        x2, y2 = right * np.sin(angle), right * np.cos(angle) - top
        h1, h2 = (x1**2 + y1**2) / 2.0, (x2**2 + y2**2) / 2.0
        det = x1 * y2 - x2 * y1
        across = (h1 * y2 - h2 * y1) / det
        below = (x1 * h2 - x2 * h1) / det
        # A hollow inner face has its centre below the top point: the radius is then positive.
        radius = np.hypot(across, below) * -np.sign(below)
    return InnerCircle(radius, across, top + below)


def thickness_at_mm(at_mm: ArrayLike, *readings: ArrayLike) -> Floats:
    """Return the thickness at any distance across the strip, along the tube's radius.

    Left is negative; the `readings` are those of `inner_circle`. The thickness is negative where
    the inner circle has cut through the bark.

    >>> thickness_at_mm([-3.5, 0, 3.5], 10.25, 0.59, 0.48, 0.47, 3.5).round(3).tolist()
    [0.48, 0.59, 0.47]
    """
    bark, circle = floats(readings[0]) / 2.0, inner_circle(*readings)
    with np.errstate(invalid="ignore"):
        angle = np.arcsin(floats(at_mm) / bark)
    return bark - _inner_reach(angle, circle)


def _inner_reach(angle: Floats, circle: InnerCircle) -> Floats:
    """Distance from the tube's centre to the inner circle along the radius at `angle`."""
    # Ray from the origin against a circle of centre c: ρ = c·e + √(r² - (c·e⊥)²).
    sin, cos = np.sin(angle), np.cos(angle)
    along = circle.across_mm * sin + circle.up_mm * cos
    off = circle.across_mm * cos - circle.up_mm * sin
    with np.errstate(invalid="ignore"):
        return np.asarray(along + np.sqrt(_hollow_radius(circle) ** 2 - off**2))


def _hollow_radius(circle: InnerCircle) -> Floats:
    """Return the inner circle's radius where the inner face is hollow, else NaN."""
    return np.where(circle.radius_mm > 0, circle.radius_mm, np.nan)


def section_area_mm2(width_mm: ArrayLike, *readings: ArrayLike) -> Floats:
    """Return the area of the strip's cross-section between bark and inner face; NaN for none.

    In polar coordinates about the tube's centre it is ½ ∫ (R² - ρ(φ)²) dφ over the strip's angle,
    with ρ the distance to the inner circle, whose integral is elementary: for a circle of radius r
    whose centre is at distance d and angle ψ, and u = φ - ψ,

    ∫ ρ² dφ = r² u + d² sin(2u)/2 + d sin u √(r² - d² sin² u) + r² arcsin(d sin u / r).

    The `readings` are those of `inner_circle`. A third of an even wall, 60° to each side:

    >>> third = 2 * 5.125 * np.sin(np.pi / 3)
    >>> area = section_area_mm2(third, 10.25, 0.6, 0.6, 0.6, 3.5)
    >>> bool(np.isclose(area, np.pi / 3 * (5.125**2 - 4.525**2)))
    True
    """
    bark, circle = floats(readings[0]) / 2.0, inner_circle(*readings)
    r = _hollow_radius(circle)
    away = np.hypot(circle.across_mm, circle.up_mm)
    towards = np.arctan2(circle.across_mm, circle.up_mm)
    with np.errstate(invalid="ignore"):
        half = np.arcsin(floats(width_mm) / 2.0 / bark)

        def antiderivative(u: Floats) -> Floats:
            off = away * np.sin(u)
            chord = np.sqrt(r**2 - off**2)
            return r**2 * (u + np.arcsin(off / r)) + away**2 * np.sin(2 * u) / 2 + off * chord

        hollow = antiderivative(half - towards) - antiderivative(-half - towards)
        # Where the inner circle crosses the bark inside the strip there is no such section.
        edges = bark - np.maximum(_inner_reach(half, circle), _inner_reach(-half, circle))
    return np.where(edges > 0, bark**2 * half - hollow / 2.0, np.nan)


def volume_mm3(
    length_mm: ArrayLike,
    width_mm: ArrayLike,
    diameter_mm: ArrayLike,
    centre_mm: ArrayLike,
    left_mm: ArrayLike,
    right_mm: ArrayLike,
    side_at_mm: ArrayLike,
) -> Floats:
    """Return the volume of a gouged, not yet shaped strip: its section's area times its length.

    >>> float(volume_mm3(75, 8.9, 10.25, 0.59, 0.48, 0.48, 3.5).round(1))
    397.8
    """
    area = section_area_mm2(width_mm, diameter_mm, centre_mm, left_mm, right_mm, side_at_mm)
    return area * floats(length_mm)


def volume_sd_mm3(*sizes: ArrayLike) -> Floats:
    """Return the standard uncertainty of `volume_mm3` from each reading's resolution.

    JCGM 100:2008, 5.1.2.

    >>> float(volume_sd_mm3(75, 8.9, 10.25, 0.59, 0.48, 0.48, 3.5).round(1))
    5.6
    """
    readings = dict(zip(getfullargspec(volume_mm3).args, sizes))
    # The three thicknesses share one instrument's step; each other size has its own.
    step = {name: getattr(USUAL, name, USUAL.thickness_mm) for name in readings}
    sds = {name: sd_of_step(value) for name, value in step.items()}
    return propagate(volume_mm3, readings, sds)


def impossible(width_mm: ArrayLike, *readings: ArrayLike) -> NDArray[np.object_]:
    """Say of each piece why no strip can have these readings together, as a clause, or None.

    Each reading may be possible by itself; this checks whether the width and the readings of
    `inner_circle` fit one another. A missing reading is not checked.

    >>> list(impossible([8.9, 10.6], 10.25, 0.59, 0.48, 0.48, 3.5))
    [None, 'the strip is wider than the tube it was split from']
    """
    width, *given = np.broadcast_arrays(
        *(np.atleast_1d(floats(reading)) for reading in (width_mm, *readings))
    )
    diameter, centre, left, right, side_at = given
    edge = np.minimum(*(thickness_at_mm(sign * width / 2, *given) for sign in (-1, 1)))
    with np.errstate(invalid="ignore"):
        reasons = {
            "the strip is wider than the tube it was split from": width > diameter,
            "the sides were read further from the centre line than the tube reaches": (
                2 * side_at >= diameter
            ),
            "the sides were read further out than the strip is wide": 2 * side_at > width,
            "the wall is thicker than the tube's radius": (
                2 * np.fmax(centre, np.fmax(left, right)) >= diameter
            ),
            "the inner face would bulge instead of being hollow, so the centre is far too thick "
            "for these sides": inner_circle(*given).radius_mm <= 0,
            "the gouge would have cut through the bark before the strip's edge, so the sides "
            "are too thin for this width": edge <= 0,
            "the inner face would end before the strip's edge, so the sides are far too thick "
            "for this centre": np.isnan(edge) & ~np.isnan(sum(given) + width),
        }
    unfit = np.full(width.shape, None, dtype=object)
    for reason, found in reversed(reasons.items()):
        unfit[found] = reason
    return unfit
