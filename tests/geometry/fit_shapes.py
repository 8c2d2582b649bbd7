"""Points on ideal shapes with their outward directions, residuals that leave a fit where it is, and scanner noise."""

import numpy as np
from scipy.spatial.transform import Rotation


def arc(n, radius, degrees):
    """Points (n, 2) over an arc about 0, their outward directions, and the derivative of distance by x, y, radius."""
    turn = np.radians(degrees) * (np.arange(n) + 0.5) / n
    out = np.column_stack([np.cos(turn), np.sin(turn)])
    return radius * out, out, np.column_stack([out, np.ones(n)])


def stadium(n, half, radius):
    """As `arc` for a slot about 0 along x: derivative by x, y, angle, half length, radius."""
    s = (np.arange(n) + 0.5) / n * (4 * half + 2 * np.pi * radius)
    side, end = 2 * half, np.pi * radius
    first = np.clip(s, 0, side)
    second = np.clip(s - side - end, 0, side)
    turn = -np.pi / 2 + (np.clip(s - side, 0, end) + np.clip(s - 2 * side - end, 0, end)) / radius
    out = np.column_stack([np.cos(turn), np.sin(turn)])
    points = np.column_stack([-half + first - second, np.zeros(n)]) + radius * out
    moment = points[:, 0] * out[:, 1] - points[:, 1] * out[:, 0]
    return points, out, np.column_stack([out, moment, np.abs(out[:, 0]), np.ones(n)])


def tube(n, radius, length, degrees, rng):
    """As `arc` for a cylinder about z: derivative by x, y, both slopes, radius."""
    turn, z = np.radians(degrees) * rng.random(n), length * (rng.random(n) - 0.5)
    c, s = np.cos(turn), np.sin(turn)
    out = np.column_stack([c, s, np.zeros(n)])
    return radius * out + np.outer(z, [0, 0, 1]), out, np.column_stack([c, s, c * z, s * z, np.ones(n)])


def patch(n, length, width, rng):
    """As `arc` for a plane z = 0: derivative by offset and both slopes."""
    x, y = length * (rng.random(n) - 0.5), width * (rng.random(n) - 0.5)
    zero = np.zeros(n)
    return np.column_stack([x, y, zero]), np.tile([0.0, 0.0, 1.0], (n, 1)), np.column_stack([zero + 1, x, y])


def unfelt(jacobian, size, rng):
    """Residuals (n,) of rms `size` square to every column of the Jacobian: the least-squares fit doesn't move."""
    noise = rng.standard_normal(len(jacobian))
    q = np.linalg.qr(jacobian)[0]
    for _ in range(2):
        noise = noise - q @ (q.T @ noise)
    return size * noise / np.sqrt(np.mean(noise**2))


def pose(rng, reach):
    """A random turn (3, 3) and a place up to `reach` away (3,)."""
    return Rotation.random(random_state=rng).as_matrix(), reach * rng.uniform(-1, 1, 3)


def off_line(point, direction, other):
    """Distance of `other` from the line through `point`."""
    d = np.asarray(other) - point
    return np.linalg.norm(d - (d @ direction) * direction)


def turned(a, b):
    """Angle between two lines' directions in rad."""
    return np.arcsin(min(np.linalg.norm(np.cross(a, b)), 1.0))


def grid(nx, ny, step):
    """Places (nx * ny, 2) of a raster."""
    return step * np.stack(np.meshgrid(np.arange(nx), np.arange(ny), indexing="ij"), axis=-1).reshape(-1, 2)


def noise_field(nx, ny, step, white, corr, length, rng):
    """Noise (nx * ny,) on `grid`: white plus exponentially correlated, by circulant embedding.

    Dietrich & Newsam 1997, SIAM J. Sci. Comput. 18(4):1088-1107, on a torus four times as long.
    """
    x, y = (step * np.minimum(np.arange(4 * n), 4 * n - np.arange(4 * n)) for n in (nx, ny))
    power = np.maximum(np.fft.fft2(np.exp(-np.hypot(x[:, None], y) / length)).real, 0) / (16 * nx * ny)
    z = rng.standard_normal(power.shape) + 1j * rng.standard_normal(power.shape)
    smooth = np.fft.fft2(np.sqrt(power) * z).real[:nx, :ny].ravel()
    return corr * smooth + white * rng.standard_normal(nx * ny)
