"""The skins of the Pelham 300, a delivery van that never was."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .forms import Swept
from .heights import Crown, Hinge, Line, Recess, Step
from .outline import Disc, HalfPlane, RoundBox, Trimmed
from .panels import Backing, Panel, TruthCrease

Floats = NDArray[np.float64]


def _along(line: Line, half_length_mm: float) -> Floats:
    """(41, 2) places along a line, from end to end of a panel."""
    s = np.linspace(-half_length_mm, half_length_mm, 41)
    return np.stack([s, line.at(s)], axis=1)


def crowned_door(
    *,
    length_mm: float = 1150.0,
    width_mm: float = 680.0,
    crown_mm: float = 22.0,
    cross_crown_mm: float = 6.0,
    quartic: float = 0.1,
    twist_mm: float = 2.0,
    crease: bool = False,
    crease_turn_rad: float = 0.1,
    crease_width_mm: float = 20.0,
    crease_t_mm: float = 90.0,
    crease_rise: float = 0.03,
    handle: bool = False,
) -> Panel:
    """The lower skin of a door: crowned both ways, with or without a soft crease and a handle.

    `crown_mm` is the fall from the middle to top and bottom, `cross_crown_mm` to the ends;
    `quartic` the share of it that goes with the fourth power, so that the crown is no parabola.
    """
    a, b = 0.5 * length_mm, 0.5 * width_mm
    line = Line(crease_t_mm, crease_rise, -crease_rise / (4.0 * a))
    hinge = Hinge(line, 2.0 * np.tan(0.5 * crease_turn_rad), crease_width_mm)
    crown = Crown(cross_crown_mm, a, crown_mm, b, quartic, twist_mm=twist_mm)
    form = Swept(heights=(crown, hinge) if crease else (crown,))
    truth = TruthCrease("soft crease", "soft", _along(line, a), crease_turn_rad, crease_width_mm)
    opening = RoundBox(a - 230.0, a - 110.0, b - 160.0, b - 110.0, 24.0)
    return Panel(
        "crowned door",
        form,
        RoundBox(-a, a, -b, b, 45.0),
        (-a, a, -b, b),
        openings=(opening,) if handle else (),
        creases=(truth,) if crease else (),
    )


def real_door(
    *,
    length_mm: float = 1020.0,
    skin_mm: float = 640.0,
    frame_mm: float = 400.0,
    strip_mm: float = 30.0,
    crown_mm: float = 16.0,
    line_turn_deg: float = 20.0,
    line_radius_mm: float = 3.0,
    line_below_belt_mm: float = 150.0,
    recess_depth_mm: float = 6.0,
    recess_height_mm: float = 75.0,
    recess_wall_mm: float = 6.0,
    belt_step_mm: float = 5.0,
) -> Panel:
    """A door as doors are; t = 0 is the belt, the skin hangs below it, the window frame above.

    A sharp body line, a steep-walled recess under it, a step at the belt, a frame of strips
    `strip_mm` wide around the window, and inner skins 25 to 40 mm behind, seen through it.
    """
    a = 0.5 * length_mm
    body = Line(-line_below_belt_mm, 0.012)
    turn = np.radians(line_turn_deg)
    width = turn * line_radius_mm
    belt = Line(0.0)
    r1 = -line_below_belt_mm - 30.0
    recess = Recess(
        -a + 110.0, a - 110.0, r1 - recess_height_mm, r1, recess_depth_mm, recess_wall_mm
    )
    form = Swept(
        heights=(
            Crown(7.0, a, crown_mm, 0.5 * (skin_mm + frame_mm), quartic=0.1, twist_mm=2.0),
            Hinge(body, 2.0 * np.tan(0.5 * turn), width),
            recess,
            Step(belt, belt_step_mm, 4.0),
        )
    )
    pillar = HalfPlane(a - 120.0, frame_mm, np.radians(20.0))
    inset = HalfPlane(pillar.s - strip_mm / np.cos(pillar.facing_rad), pillar.t, pillar.facing_rad)
    outline = Trimmed((RoundBox(-a, a, -skin_mm, frame_mm, 40.0), pillar))
    window = Trimmed(
        (RoundBox(-a + strip_mm, a - strip_mm, strip_mm, frame_mm - strip_mm, 20.0), inset)
    )
    creases = (
        TruthCrease("body line", "sharp", _along(body, a), turn, width),
        TruthCrease("belt", "step", _along(belt, a), 0.0, 4.0, belt_step_mm),
        TruthCrease("recess", "step", _around(recess), 0.0, recess_wall_mm, recess_depth_mm),
    )
    return Panel(
        "real door",
        form,
        outline,
        (-a, a, -skin_mm, frame_mm),
        openings=(window,),
        creases=creases,
        backings=_inner_skins(a, frame_mm),
    )


def _around(recess: Recess) -> Floats:
    s0, s1, t0, t1 = recess.s0, recess.s1, recess.t0, recess.t1
    return np.array([[s0, t0], [s1, t0], [s1, t1], [s0, t1], [s0, t0]])


def _inner_skins(half_length_mm: float, frame_mm: float) -> tuple[Backing, ...]:
    """An inner belt rail and an inner rear post, as the window shows them."""
    a = half_length_mm
    rail = (-a + 20.0, a - 60.0, 20.0, 95.0)
    post = (-a + 20.0, -a + 110.0, 110.0, frame_mm - 20.0)
    return (
        Backing(RoundBox(*rail, 12.0), rail, 38.0),
        Backing(RoundBox(*post, 12.0), post, 27.0),
    )


def wing(
    *,
    length_mm: float = 820.0,
    section_mm: float = 587.0,
    wrap_deg: float = 95.0,
    uneven: float = 0.06,
    skew: float = 0.02,
    crown_mm: float = 9.0,
    arch_radius_mm: float = 290.0,
) -> Panel:
    """A wing that wraps: its section is no circle, and the wheel arch is cut from its lower edge.

    s runs along the vehicle, t over the section from the lower edge to the bonnet gap.
    """
    a, b = 0.5 * length_mm, 0.5 * section_mm
    form = Swept(
        np.radians(wrap_deg),
        section_mm,
        uneven,
        skew,
        heights=(Crown(crown_mm, a, 0.0, b, quartic=0.15, lean=0.05, twist_mm=1.0),),
    )
    arch = Disc(-40.0, -b - 70.0, arch_radius_mm)
    outline = Trimmed((RoundBox(-a, a, -b, b, 25.0),), (arch,))
    return Panel("wing", form, outline, (-a, a, -b, b))


def bonnet(
    *,
    length_mm: float = 1300.0,
    width_mm: float = 1100.0,
    crown_mm: float = 30.0,
    cross_crown_mm: float = 24.0,
    crease_turn_rad: float = 0.08,
    crease_width_mm: float = 24.0,
) -> Panel:
    """A bonnet crowned both ways, two soft creases drawing together towards its nose.

    s runs from the screen to the nose, t across; the creases turn down outwards.
    """
    a, b = 0.5 * length_mm, 0.5 * width_mm
    slope = 2.0 * np.tan(0.5 * crease_turn_rad)
    left, right = Line(0.45 * b, -0.11, -1.5e-5), Line(-0.45 * b, 0.11, 1.5e-5)
    form = Swept(
        heights=(
            Crown(crown_mm, a, cross_crown_mm, b, quartic=0.15, lean=0.0),
            Hinge(left, slope, crease_width_mm),
            Hinge(right, slope, crease_width_mm),
        )
    )
    creases = tuple(
        TruthCrease(name, "soft", _along(line, a), crease_turn_rad, crease_width_mm)
        for name, line in (("left crease", left), ("right crease", right))
    )
    outline = RoundBox(-a, a, -b, b, 70.0)
    return Panel("bonnet", form, outline, (-a, a, -b, b), creases=creases)
