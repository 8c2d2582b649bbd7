"""The six-point circle that tells geometric fits from algebraic ones in disguise.

Source: Gander, Golub & Strebel 1994, Least-squares fitting of circles and ellipses, BIT 34:558-578: points of table
2.1; geometric centre (4.7398, 2.9835), radius 4.7142; algebraic centre (5.3794, 7.2532), radius 3.0370. More digits:
Newton's method on the gradient in 80-bit floats, gradient 2e-19 at the end.
"""

import numpy as np
import pytest

from barerail.geometry.circle import fit_circle, taubin
from barerail.geometry.leastsquares import covariance

SIX = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], float)
CENTRE, RADIUS = np.array([4.73978241091, 2.98353269929]), 4.71422603779


def kasa():
    """Kasa's algebraic fit, linear in (2x, 2y, r2 - x2 - y2) (Kasa 1976, IEEE Trans. Instrum. Meas. 25:8-14)."""
    a, b, c = np.linalg.lstsq(np.column_stack([SIX, np.ones(6)]), (SIX**2).sum(axis=1))[0]
    return np.array([a / 2, b / 2]), np.sqrt(c + (a * a + b * b) / 4)


def test_geometric_fit():
    fit = fit_circle(SIX)
    assert fit.converged
    assert np.abs(fit.centre - CENTRE).max() < 1e-10
    assert fit.radius == pytest.approx(RADIUS, rel=0, abs=1e-10)
    assert fit.residuals @ fit.residuals == pytest.approx(1.2275990782, rel=0, abs=1e-10)
    outside = [0.773759208, -0.639243506, 0.308985820, -0.105474241, -0.000883882, -0.337143400]
    assert np.abs(fit.residuals - outside).max() < 1e-9


@pytest.mark.parametrize("start", [(5.3794, 7.2532, 3.0370), (3, 0, 8), (5, 5, 1)])
def test_from_other_starts_too(start):
    fit = fit_circle(SIX, start=start)
    assert fit.converged and np.abs(fit.centre - CENTRE).max() < 1e-10


def test_standard_deviations():
    """s2 (JtJ)^-1 with the Jacobian written out, at the published centre (Chernov & Lesort, cs/0301001)."""
    fit = fit_circle(SIX)
    s = np.sqrt(fit.residuals @ fit.residuals / 3)
    assert s == pytest.approx(0.639687, abs=1e-6)
    away = (SIX - CENTRE) / np.linalg.norm(SIX - CENTRE, axis=1)[:, None]
    full = np.linalg.inv(np.column_stack([away, np.ones(6)]).T @ np.column_stack([away, np.ones(6)]))
    assert covariance(fit.jacobian, s) == pytest.approx(s * s * full, rel=1e-7)
    assert np.sqrt(np.diag(s * s * full)) == pytest.approx([0.47759, 1.54291, 1.22432], abs=1e-5)


def test_an_algebraic_fit_would_fail():
    for centre, radius in (kasa(), (np.array([5.3794, 7.2532]), 3.0370), (np.array(taubin(SIX)[:2]), taubin(SIX)[2])):
        assert np.linalg.norm(centre - CENTRE) > 0.1
        assert abs(radius - RADIUS) > 0.1
