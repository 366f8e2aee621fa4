"""The camera against OpenCV's own calibration on the same corners, and its stated uncertainty."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.photo.camera import Pinhole, View, projection_jacobian, solve_cameras
from calib.photo.mat import Mat
from tests.photo_render import look

SIZE = (3000, 4000)


def views_of(cameras: list[Pinhole], noise_px: float, seed: int = 1) -> list[View]:
    rng = np.random.default_rng(seed)
    flat = Mat().saddles_mm
    world = np.column_stack([flat, np.zeros(len(flat))])
    return [
        View(world, c.project(world) + rng.normal(0, noise_px, (len(world), 2)), SIZE)
        for c in cameras
    ]


def test_intrinsics_and_poses_agree_with_opencv_on_the_same_corners() -> None:
    cameras = [
        look(SIZE, tilt_deg=t, azimuth_deg=a, roll_deg=r, k1=0.04, k2=-0.02, fill=f)
        for t, a, r, f in (
            (20, 0, 5, 0.9),
            (25, 120, -20, 0.8),
            (18, 240, 60, 0.9),
            (10, 60, 0, 0.95),
        )
    ]
    views = views_of(cameras, 0.1)
    solved = solve_cameras(views)
    _, matrix, bend, turns, shifts = cv2.calibrateCamera(
        [v.world_mm.astype(np.float32) for v in views],
        [v.pixels.astype(np.float32).reshape(-1, 1, 2) for v in views],
        SIZE, None, None,
        flags=cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3,
    )  # fmt: skip
    ours = solved.cameras[0]
    assert ours.focal_px == pytest.approx(matrix[0, 0], rel=2e-3)
    assert ours.centre_px == pytest.approx((matrix[0, 2], matrix[1, 2]), abs=4.0)
    assert ours.k1 == pytest.approx(float(bend.ravel()[0]), abs=3e-3)
    assert ours.k2 == pytest.approx(float(bend.ravel()[1]), abs=6e-3)
    for camera, turn, shift in zip(solved.cameras, turns, shifts, strict=True):
        theirs = cv2.Rodrigues(turn)[0]
        between = np.degrees(np.linalg.norm(cv2.Rodrigues(camera.rotation @ theirs.T)[0]))
        assert between < 0.1
        assert camera.shift_mm == pytest.approx(shift.ravel(), abs=1.0)


def test_one_view_gives_focal_length_within_its_stated_uncertainty() -> None:
    scores = []
    for seed in range(40):
        camera = look(SIZE, tilt_deg=12, azimuth_deg=9.0 * seed, k1=0.03)
        found = solve_cameras(views_of([camera], 0.08, seed)).cameras[0]
        sd = np.sqrt(found.covariance[0, 0])
        assert sd < 0.02
        scores.append(np.log(found.focal_px / camera.focal_px) / sd)
    assert 0.6 < np.std(scores) < 1.5


def test_corners_that_are_wrong_are_dropped() -> None:
    camera = look(SIZE, tilt_deg=15)
    view = views_of([camera], 0.05)[0]
    pixels = view.pixels.copy()
    pixels[[3, 20, 41]] += [15.0, -9.0]
    solved = solve_cameras([View(view.world_mm, pixels, SIZE)])
    assert not solved.kept[0][[3, 20, 41]].any()
    assert solved.rms_px < 0.1


def test_jacobian_matches_differences() -> None:
    camera = look(SIZE, tilt_deg=17, k1=0.05, k2=0.02)
    world = np.array([[30.0, -50, 0], [-70, 90, 0], [5, 5, 12]])
    jac, pixels = projection_jacobian(camera, world)
    assert pixels == pytest.approx(camera.project(world))
    for n, step in enumerate([1e-6, 1e-3, 1e-3, 1e-6, 1e-6, 1e-7, 1e-7, 1e-7, 1e-4, 1e-4, 1e-4]):
        moved = camera.moved(np.eye(11)[n] * step).project(world)
        assert jac[:, :, n] == pytest.approx((moved - pixels) / step, rel=2e-3, abs=1e-2)


@settings(max_examples=30, deadline=None)
@given(
    tilt=st.floats(0, 30), azimuth=st.floats(0, 360), k1=st.floats(-0.08, 0.08),
    x=st.floats(-70, 70), y=st.floats(-100, 100), z=st.floats(0, 40),
)  # fmt: skip
def test_rays_undo_projection(
    tilt: float, azimuth: float, k1: float, x: float, y: float, z: float
) -> None:
    camera = look(SIZE, tilt_deg=tilt, azimuth_deg=azimuth, k1=k1)
    back = camera.on_plane(camera.project(np.array([[x, y, z]])), z)
    assert back[0] == pytest.approx([x, y], abs=1e-4)
