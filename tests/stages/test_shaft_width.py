"""What is taken off a shaft that fusing makes stand proud. No source but simulated scans: its arithmetic is tested."""

import pytest

from barerail.stages.fit.fused_round import LEAST_SHAFT, shaft_width


def test_a_cloud_takes_nothing_off():
    assert shaft_width(10.0, 0.0) == 10.0


def test_the_finer_the_voxels_the_less_is_taken_off_and_it_scales_with_both():
    taken = [10.0 - shaft_width(10.0, v) for v in (0.5, 1.0, 2.0)]
    assert taken == sorted(taken) and taken[0] < 0.02
    assert shaft_width(20.0, 4.0) == pytest.approx(2 * shaft_width(10.0, 2.0))


@pytest.mark.parametrize("voxel", [2.0, 3.0, 4.0])
def test_no_shaft_of_more_than_a_voxel_comes_out_at_nothing(voxel):
    assert 0 < shaft_width(1.01 * voxel, voxel) < shaft_width(LEAST_SHAFT * voxel, voxel)
