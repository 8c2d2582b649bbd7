"""NIST StRD nonlinear regression: certified parameters and standard deviations from both given starts.

Source: NIST Statistical Reference Datasets, https://www.itl.nist.gov/div898/strd/nls/nls_main.shtml, files Misra1a.dat,
DanWood.dat, BoxBOD.dat, Rat42.dat, MGH09.dat (certified to 11 digits); the figures were checked against public copies
of the files.
"""

import numpy as np
import pytest

from barerail.geometry.leastsquares import covariance, solve

MISRA = (
    np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]),
    np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]),
)
WOOD = (np.array([1.309, 1.471, 1.490, 1.565, 1.611, 1.680]), np.array([2.138, 3.421, 3.597, 4.340, 4.882, 5.660]))
BOX = (np.array([1, 2, 3, 5, 7, 10.0]), np.array([109, 149, 149, 191, 213, 224.0]))
RAT = (
    np.array([9, 14, 21, 28, 42, 57, 63, 70, 79.0]),
    np.array([8.93, 10.8, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08]),
)
KOWALIK = (
    np.array([4, 2, 1, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625]),
    np.array([0.1957, 0.1947, 0.1735, 0.16, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246]),
)


def rise(b, x):
    e = np.exp(-b[1] * x)
    return b[0] * (1 - e), np.column_stack([1 - e, b[0] * x * e])


def power(b, x):
    y = x ** b[1]
    return b[0] * y, np.column_stack([y, b[0] * y * np.log(x)])


def logistic(b, x):
    e = np.exp(b[1] - b[2] * x)
    y = 1 / (1 + e)
    return b[0] * y, np.column_stack([y, -b[0] * y * y * e, b[0] * y * y * e * x])


def rational(b, x):
    top, bottom = x * x + x * b[1], x * x + x * b[2] + b[3]
    y = b[0] * top / bottom
    return y, np.column_stack([top / bottom, b[0] * x / bottom, -y * x / bottom, -y / bottom])


CASES = {
    "Misra1a": (rise, MISRA, [(500, 1e-4), (250, 5e-4)], [2.3894212918e2, 5.5015643181e-4],
                [2.7070075241, 7.2668688436e-6], 1.2455138894e-1),
    "DanWood": (power, WOOD, [(1, 5), (0.7, 4)], [7.6886226176e-1, 3.8604055871],
                [1.8281973860e-2, 5.1726610913e-2], 4.3173084083e-3),
    "BoxBOD": (rise, BOX, [(1, 1), (100, 0.75)], [2.1380940889e2, 5.4723748542e-1],
               [1.2354515176e1, 1.0455993237e-1], 1.1680088766e3),
    "Rat42": (logistic, RAT, [(100, 1, 0.1), (75, 2.5, 0.07)], [7.2462237576e1, 2.6180768402, 6.7359200066e-2],
              [1.7340283401, 8.8295217536e-2, 3.4465663377e-3], 8.0565229338),
    "MGH09": (rational, KOWALIK, [(25, 39, 41.5, 39), (0.25, 0.39, 0.415, 0.39)],
              [1.9280693458e-1, 1.9128232873e-1, 1.2305650693e-1, 1.3606233068e-1],
              [1.1435312227e-2, 1.9633220911e-1, 8.0842031232e-2, 9.0025542308e-2], 3.0750560385e-4),
}  # fmt: skip


@pytest.mark.parametrize(("name", "start"), [(n, k) for n in CASES for k in (0, 1) if (n, k) != ("BoxBOD", 0)])
def test_certified_values(name, start):
    model, (x, y), starts, want, deviations, sum_of_squares = CASES[name]
    s = solve(lambda b: model(b, x)[0] - y, lambda b: model(b, x)[1], starts[start], max_iter=500)
    assert s.converged
    assert s.x == pytest.approx(want, rel=1e-10)
    assert s.residuals @ s.residuals == pytest.approx(sum_of_squares, rel=1e-10)
    spread = np.sqrt(sum_of_squares / (len(x) - len(want)))
    assert np.sqrt(np.diag(covariance(s.jacobian, spread))) == pytest.approx(deviations, rel=1e-9)


@pytest.mark.filterwarnings("ignore:overflow")
def test_a_start_on_a_plateau_is_not_called_converged():
    """The far start of BoxBOD leads onto a plateau plain Marquardt steps don't leave: the flag has to say so."""
    model, (x, y), starts, *_ = CASES["BoxBOD"]
    assert not solve(lambda b: model(b, x)[0] - y, lambda b: model(b, x)[1], starts[0]).converged
