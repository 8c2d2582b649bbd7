"""The fits against independent implementations on the same noisy data. Packages as installed; versions tried: scipy
1.17.1, circle-fit 0.2.1, scikit-spatial 10.0.0, trimesh 4.5 and later, open3d 0.20.0, numpy 2.4.6."""

import circle_fit
import numpy as np
import pytest
import skspatial.objects
import trimesh
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from barerail.geometry import frames
from barerail.geometry.circle import fit_circle
from barerail.geometry.cylinder import fit_cylinder, fit_cylinder_shared
from barerail.geometry.line import fit_line
from barerail.geometry.plane import fit_plane, fit_plane_robust
from barerail.geometry.slot import fit_slot
from barerail.libraries import open3d
from geometry.fit_shapes import arc, off_line, patch, pose, stadium, tube, turned

PLACE = np.array([40.0, -30.0])
TIGHT = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15, "method": "lm"}


def scatter(shape, rng, sigma=0.1):
    points, out, _ = shape
    return points + sigma * rng.standard_normal((len(points), 1)) * out


@pytest.mark.parametrize("degrees", [360, 180, 90])
def test_circle_by_circle_fit(degrees):
    """circle-fit standardLSQ: geometric, scipy.optimize.leastsq with loose stops, good to 1e-4."""
    p = scatter(arc(80, 6, degrees), np.random.default_rng(degrees)) + PLACE
    x, y, r, _ = circle_fit.standardLSQ(p)
    fit = fit_circle(p)
    assert (*fit.centre, fit.radius) == pytest.approx((x, y, r), rel=0, abs=1e-4)


def test_circle_by_circle_fit_is_not_algebraic():
    """circle-fit taubinSVD on a quarter circle is another answer by far more than that tolerance."""
    p = scatter(arc(80, 6, 90), np.random.default_rng(90)) + PLACE
    assert abs(circle_fit.taubinSVD(p)[2] - fit_circle(p).radius) > 3e-4


@pytest.mark.parametrize("degrees", [360, 90, 45])
def test_circle_by_scipy(degrees):
    """scipy.optimize.least_squares (MINPACK lmder), differences for slopes."""
    p = scatter(arc(200, 6, degrees), np.random.default_rng(degrees), 0.02)
    judge = least_squares(lambda x: np.hypot(*(p - x[:2]).T) - x[2], [0, 0, 6], **TIGHT)
    fit = fit_circle(p)
    assert (*fit.centre, fit.radius) == pytest.approx(judge.x, abs=1e-6)


def test_slot_by_scipy():
    p = scatter(stadium(150, 9, 5), np.random.default_rng(1))

    def distance(x):
        u, v = np.cos(x[2]), np.sin(x[2])
        along = np.clip((p[:, 0] - x[0]) * u + (p[:, 1] - x[1]) * v, -x[3], x[3])
        return np.hypot(p[:, 0] - x[0] - along * u, p[:, 1] - x[1] - along * v) - x[4]

    judge = least_squares(distance, [0.2, 0.1, 0.05, 8, 5.5], **TIGHT)
    fit = fit_slot(p)
    assert (*fit.centre, fit.angle, fit.half_length, fit.radius) == pytest.approx(judge.x, abs=1e-6)
    assert fit.residuals @ fit.residuals == pytest.approx(2 * judge.cost, rel=1e-10)


@pytest.mark.parametrize("degrees", [360, 120, 70])
def test_cylinder_by_scipy(degrees):
    """Six numbers with a free point and a direction of any length, unlike ours."""
    rng = np.random.default_rng(degrees)
    turn, place = pose(rng, 50)
    p = scatter(tube(300, 20, 60, degrees, rng), rng) @ turn.T + place

    def distance(x):
        w = x[3:6] / np.linalg.norm(x[3:6])
        return np.linalg.norm(np.cross(p - x[:3], w), axis=1) - x[6]

    judge = least_squares(distance, [*place, *turn[:, 2], 19.0], xtol=1e-15, ftol=1e-15, gtol=1e-15, x_scale="jac")
    fit = fit_cylinder(p)
    axis = judge.x[3:6] / np.linalg.norm(judge.x[3:6])
    assert turned(fit.axis, axis) < 1e-7
    assert off_line(judge.x[:3], axis, fit.point) < 1e-6
    assert fit.radius == pytest.approx(judge.x[6], abs=1e-6)


def test_sleeve_by_scipy():
    rng = np.random.default_rng(3)
    a, b = (scatter(tube(200, r, 50, arc_deg, rng), rng) for r, arc_deg in ((22, 200), (17, 100)))

    def distance(x):
        w = np.array([x[2], x[3], 1.0]) / np.sqrt(x[2] ** 2 + x[3] ** 2 + 1)
        on = np.array([x[0], x[1], 0.0])
        return np.concatenate([np.linalg.norm(np.cross(s - on, w), axis=1) - r for s, r in ((a, x[4]), (b, x[5]))])

    judge = least_squares(distance, [0, 0, 0, 0, 21, 18], **TIGHT)
    fit = fit_cylinder_shared(a, b)
    assert (fit.outer, fit.inner) == pytest.approx(judge.x[4:], abs=1e-6)
    assert turned(fit.axis, [judge.x[2], judge.x[3], 1] / np.sqrt(judge.x[2] ** 2 + judge.x[3] ** 2 + 1)) < 1e-7


def test_plane_and_line_by_scikit_spatial_and_trimesh():
    """skspatial Plane.best_fit and Line.best_fit (SVD); trimesh.points.plane_fit."""
    rng = np.random.default_rng(4)
    turn, place = pose(rng, 2000)
    p = scatter(patch(400, 120, 50, rng), rng) @ turn.T + place
    fit = fit_plane(p)
    judge = skspatial.objects.Plane.best_fit(p)
    assert turned(fit.normal, np.array(judge.normal)) < 1e-10
    assert np.abs(fit.centre - judge.point).max() < 1e-9
    centre, normal = trimesh.points.plane_fit(p)
    assert turned(fit.normal, normal) < 1e-10 and np.abs(fit.centre - centre).max() < 1e-9
    line, other = fit_line(p), skspatial.objects.Line.best_fit(p)
    assert turned(line.direction, np.array(other.direction)) < 1e-9
    assert np.abs(line.residuals - [other.distance_point(q) for q in p]).max() < 1e-9


def test_robust_plane_by_ransac_inliers():
    """open3d segment_plane finds the inliers by RANSAC; the orthogonal fit of these alone (open3d's own coefficients
    aren't one) and our weighted fit agree within the noise of the mean."""
    o3d = open3d()
    rng = np.random.default_rng(5)
    turn, place = pose(rng, 100)
    p = scatter(patch(1500, 120, 50, rng), rng, 0.05)
    p[:300, 2] += rng.uniform(1, 30, 300)
    p = p @ turn.T + place
    o3d.utility.random.seed(1)
    _, rows = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(p)).segment_plane(0.2, 3, 300)
    judge, fit = fit_plane(p[np.asarray(rows)]), fit_plane_robust(p)
    assert turned(fit.normal, judge.normal) < 1e-4
    assert abs((fit.centre - judge.centre) @ judge.normal) < 0.005


def test_rigid_fit_by_scipy_and_trimesh():
    """scipy Rotation.align_vectors; trimesh.registration.procrustes without scale and reflection."""
    rng = np.random.default_rng(6)
    turn, place = pose(rng, 300)
    a = rng.uniform(-500, 500, (40, 3))
    b = a @ turn.T + place + rng.standard_normal((40, 3))
    w = rng.uniform(0.1, 1, 40)
    t = frames.best_fit_rigid(a, b, w)
    ca, cb = w @ a / w.sum(), w @ b / w.sum()
    judge = Rotation.align_vectors(b - cb, a - ca, weights=w)[0].as_matrix()
    assert np.abs(t[:3, :3] - judge).max() < 1e-12 and np.abs(t[:3, 3] - (cb - judge @ ca)).max() < 1e-9
    other = trimesh.registration.procrustes(a, b, reflection=False, scale=False)[0]
    assert np.abs(frames.best_fit_rigid(a, b) - other).max() < 1e-9


@pytest.mark.parametrize("angle", [0.0, 1e-12, 1e-5, 0.7, 3.1, np.pi, 5.0])
def test_rotation_vector_by_scipy(angle):
    axis = np.array([0.48, -0.6, 0.64])
    judge = Rotation.from_rotvec(angle * axis).as_matrix()
    assert np.abs(frames.from_rotation_vector(angle * axis) - judge).max() < 1e-14
