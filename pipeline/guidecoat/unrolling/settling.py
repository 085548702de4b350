"""Which way along its axis a chart's u runs: the same from one scan of a panel to the next."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .chart import Chart

Floats = NDArray[np.float64]

_LEAST_SKEW = 0.01
_LEAST_TWIST_MM = 0.3
_CUBICS = ((3, 0), (2, 1), (1, 2), (0, 3))
# A way of the scan's frame that no panel lies square to by habit.
_LEANING = np.array([1.0, 0.62, 0.38])


def settled(chart: Chart, centre_mm: Floats) -> Chart:
    """The chart, or the chart turned by 180 degrees about its outside.

    The greatest odd feature of the panel is made positive: a third moment of its outline or a
    cubic of its height, each counted in what scans of one panel differ by at most. A panel with
    none is told by the scan's frame alone.

    Parameters
    ----------
    centre_mm : (n, 3) of the skin's voxels, one each however many points they hold: density
        differs from scan to scan.
    """
    odd = odd_features(chart.to_chart(centre_mm))
    greatest = odd[np.abs(odd).argmax()]
    if abs(greatest) < 1.0:
        greatest = float(chart.rotation[0] @ _LEANING)
    return chart if greatest >= 0.0 else turned(chart)


def turned(chart: Chart) -> Chart:
    """The chart turned by 180 degrees about its outside at the apex."""
    return Chart(
        chart.origin_mm,
        np.array([[-1.0], [-1.0], [1.0]]) * chart.rotation,
        chart.curvature_per_mm,
        chart.axis_decided_by,
        chart.outside_decided_by,
    )


def odd_features(uvh: Floats) -> Floats:
    """(8,) features of a skin that change sign when it is turned by 180 degrees.

    Third moments of the outline as shares of its standard deviations, in hundredths; cubics of
    the height, mm over half the panel, in 0.3 mm.
    """
    u, v, h = uvh.T
    a, b = u - u.mean(), v - v.mean()
    p, q = a / a.std(), b / b.std()
    skew = [float((p**i * q**j).mean()) for i, j in _CUBICS]
    x, y = 2.0 * a / np.ptp(u), 2.0 * b / np.ptp(v)
    powers = [(i, j) for i in range(4) for j in range(4 - i)]
    columns = np.column_stack([x**i * y**j for i, j in powers])
    found = np.linalg.lstsq(columns, h, rcond=None)[0]
    twist = [float(found[powers.index(cubic)]) for cubic in _CUBICS]
    return np.array([*(np.array(skew) / _LEAST_SKEW), *(np.array(twist) / _LEAST_TWIST_MM)])
