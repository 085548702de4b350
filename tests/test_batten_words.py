"""Why a batten was chosen, in words: the figures are those that decided."""

from __future__ import annotations

import re
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any, cast

import pytest

from guidecoat.settings import load_settings
from guidecoat.surface import robust_fit
from guidecoat.surface.face_jobs import FaceJob


@pytest.mark.parametrize(
    ("scales", "words"),
    [
        # 350 mm lies 2 % farther off than 300 mm did and is taken; 400 mm 4 %, and is not.
        ({300.0: 1.00, 350.0: 1.02, 400.0: 1.04}, "at 400 mm the metal lay 4 % farther off than"),
        ({300.0: 1.00, 350.0: 1.20}, "at 350 mm the metal lay 20 % farther off than"),
    ],
)
def test_the_rise_that_ends_a_batten_is_told_from_where_it_is_measured(
    monkeypatch: pytest.MonkeyPatch, scales: dict[float, float], words: str
) -> None:
    def lengthened(_: object, battens: list[float], *__: object, **___: object) -> Iterator[Any]:
        for batten in battens:
            scale = scales.get(batten, 1.0 if batten <= 300.0 else 2.0)
            yield SimpleNamespace(batten_mm=batten, scale_mm=scale)

    monkeypatch.setattr(robust_fit, "_lengthen", lengthened)
    job = cast("FaceJob", SimpleNamespace(widest_mm=1000.0, shouldered=False))
    _, why, _ = robust_fit.choose_batten(job, load_settings("metal").surface, {})
    assert words in why
    (percent,) = re.findall(r"lay (\d+) %", why)
    assert int(percent) >= 3


def test_along_a_shoulder_the_shortest_batten_is_laid(monkeypatch: pytest.MonkeyPatch) -> None:
    def lengthened(_: object, battens: list[float], *__: object, **___: object) -> Iterator[Any]:
        for batten in battens:
            yield SimpleNamespace(batten_mm=batten, scale_mm=1.0)

    monkeypatch.setattr(robust_fit, "_lengthen", lengthened)
    surface = load_settings("metal").surface
    job = cast("FaceJob", SimpleNamespace(widest_mm=1000.0, shouldered=True))
    step, why, _ = robust_fit.choose_batten(job, surface, {})
    assert step.batten_mm == surface.shortest_batten_mm
    assert "along a shoulder" in why
