"""Made-up defects: right in size and place, drawn as the camera draws, and the same each time."""

import cv2
import numpy as np
import pytest

from engine.frame import Frame
from engine.graph.registry import own_names
from engine.study.camera_look import Look, measure_look
from engine.study.defects import APPLY_TO, DEFECTS
from engine.study.disturbances import DISTURBANCES
from engine.study.painting import Canvas, decoded, encoded, filled
from engine.study.print_defects import fixed_places
from engine.study.scene import Scene
from tests.generators.scenes import GOOD, MM, scene

QUIET = Look(0.5, (128.0,), (0.0,))


def light_lost(before, after):
    """Give how much light a defect took, over that of bare ground, in mm2."""
    lost = decoded(before.pixels / 255, "srgb") - decoded(after.pixels / 255, "srgb")
    return float(lost.sum()) / MM**2 / float(decoded(np.array(220 / 255), "srgb"))


def test_every_kind_in_the_table_is_there_and_every_step_named_exists():
    named = {name for names in APPLY_TO.values() for name in names}
    assert named <= set(DEFECTS)
    assert set(APPLY_TO) <= own_names()


@pytest.mark.parametrize("size", [0.05, 0.2, 1.0, 4.0])
def test_a_spot_takes_the_light_of_its_area_however_small_it_is(size):
    good = scene(look=QUIET)
    made = DEFECTS["spot"].make(good, size, np.random.default_rng(1))
    ink = float(good.ink.mean() / good.paper.mean())
    assert light_lost(good.frame, made.frame) == pytest.approx(
        np.pi * size**2 / 4 * (1 - ink), rel=0.15, abs=0.002
    )


@pytest.mark.parametrize("name", sorted(DEFECTS))
def test_a_defect_is_the_same_each_time_and_leaves_the_good_frame_alone(name):
    good = scene(line=name.startswith("line-"))
    before = good.frame.pixels.copy()
    size = DEFECTS[name].span(good)[1] / 2
    frames = [DEFECTS[name].make(good, size, np.random.default_rng(3)) for _ in range(2)]
    assert np.array_equal(good.frame.pixels, before)
    if frames[0] is None:  # a kind for which nothing is there in this scene
        assert name in ("modules", "character")
        return
    assert np.array_equal(frames[0].frame.pixels, frames[1].frame.pixels)
    assert not np.array_equal(frames[0].frame.pixels, before)
    far = np.ones(before.shape, bool)
    around = np.vstack([frames[0].around, good.at(good.corners)])
    low, high = np.floor(around.min(axis=0)), np.ceil(around.max(axis=0))
    x0, y0 = np.maximum(low - 30, 0).astype(int)
    x1, y1 = (high + 30).astype(int)
    far[y0:y1, x0:x1] = False
    assert np.array_equal(frames[0].frame.pixels[far], before[far])


def test_a_label_is_shifted_by_the_mm_asked_for():
    good = scene(look=QUIET)
    made = DEFECTS["shifted"].make(good, 3.0, np.random.default_rng(5))
    moved = np.hypot(*(made.around - good.at(good.corners)).mean(axis=0)) / MM
    assert moved == pytest.approx(3.0, abs=0.01)
    light = made.frame.pixels.astype(float) > 180
    rows, columns = np.nonzero(light)
    middle = np.array([columns.mean(), rows.mean()])
    was = np.array([c.mean() for c in np.nonzero(good.frame.pixels > 180)[::-1]])
    assert np.hypot(*(middle - was)) / MM == pytest.approx(3.0, abs=0.1)


def test_a_line_moves_by_the_mm_asked_for():
    good = scene(look=QUIET, line=True)
    column = slice(200, 210)
    for name, sign in (("line-up", -1), ("line-down", 1)):
        made = DEFECTS[name].make(good, 2.0, np.random.default_rng(1))
        rows = [
            np.argmax(np.diff(f.pixels[100:300, column].astype(float).mean(axis=1)))
            for f in (good.frame, made.frame)
        ]
        assert (rows[1] - rows[0]) / MM == pytest.approx(sign * 2.0, abs=0.3)


def test_contrast_is_lowered_in_linear_light():
    good = scene(look=QUIET)
    made = DEFECTS["paler"].make(good, 50.0, np.random.default_rng(1))
    x0, y0 = good.shapes()[0].min(axis=0).astype(int) + 2
    x1, y1 = good.shapes()[0].max(axis=0).astype(int) - 2
    before, after = (
        decoded(f.pixels[y0:y1, x0:x1] / 255, "srgb") for f in (good.frame, made.frame)
    )
    ground = np.percentile(before, 95)
    share = (ground - np.percentile(after, 2)) / (ground - np.percentile(before, 2))
    assert share == pytest.approx(0.5, abs=0.03)


def test_painted_areas_have_the_noise_of_the_camera():
    pixels = np.full((120, 120), 128, np.uint8)
    frame = Frame("a", 1, pixels)
    corners = np.array([(20.0, 20), (100, 20), (100, 100), (20, 100)])
    canvas = Canvas(frame, "srgb", Look(0.8, (0.0, 255.0), (3.0, 3.0)), corners)
    canvas.paint(canvas.alpha([corners]), np.array([0.4], np.float32))
    painted = canvas.done(np.random.default_rng(2)).pixels[30:90, 30:90]
    assert painted.std() == pytest.approx(3.0, abs=0.2)
    assert painted.mean() == pytest.approx(255 * encoded(np.array(0.4), "srgb"), abs=0.3)


@pytest.mark.parametrize(("blur", "noise"), [(0.9, 0.5), (1.5, 2.0), (2.0, 1.0)])
def test_blur_and_noise_are_measured_as_they_were_made(blur, noise):
    rng = np.random.default_rng(4)
    fine = np.full((800, 800), 60.0)
    fine[:, 400:] = 190
    cv2.ellipse(fine, (200, 400), (120, 120), 0, 0, 360, (190,), -1)
    drawn = cv2.resize(cv2.GaussianBlur(fine, (0, 0), 2 * blur), (400, 400),
                       interpolation=cv2.INTER_AREA)  # fmt: skip
    pixels = np.clip(np.rint(drawn + rng.normal(0, noise, drawn.shape)), 0, 255).astype(np.uint8)
    look = measure_look([Frame("a", 1, pixels)])
    assert look.blur_px == pytest.approx(blur, rel=0.2)
    assert look.noise == pytest.approx([noise] * len(look.noise), rel=0.15)


def test_a_hole_is_filled_with_the_ground_around_it():
    ground = np.tile(np.linspace(0.2, 0.6, 80, dtype=np.float32)[None, :, None], (60, 1, 1))
    hole = np.zeros((60, 80), bool)
    hole[20:40, 30:50] = True
    light = np.where(hole[:, :, None], 0, ground).astype(np.float32)
    assert np.abs(filled(light, hole) - ground).max() < 0.05


def test_free_places_of_a_line_are_those_of_bare_times():
    assert fixed_places("BB {expiry:dd/mm/yyyy}", "BB 14/03/2027") == list(range(13))
    assert 10 not in fixed_places("LOT {lot} hh:mm", "LOT K4471 07:31")
    assert 12 in fixed_places("LOT {lot} hh:mm", "LOT K4471 07:31")


@pytest.mark.parametrize("name", sorted(DISTURBANCES))
def test_disturbances_grow_and_keep_the_frame(name):
    good = scene().frame
    kind = DISTURBANCES[name]
    change = [
        float(np.abs(kind.apply(good, "srgb", s, [1]).pixels.astype(float) - good.pixels).mean())
        for s in (kind.sizes[0], kind.sizes[-1])
    ]
    assert change[0] < change[1]
    assert np.array_equal(
        kind.apply(good, "srgb", kind.sizes[2], [1]).pixels,
        kind.apply(good, "srgb", kind.sizes[2], [1]).pixels,
    )


def test_less_light_is_less_linear_light():
    dim = DISTURBANCES["light-down"].apply(GOOD, "srgb", 50, [1])
    before, after = (decoded(f.pixels / 255, "srgb").mean() for f in (GOOD, dim))
    assert after / before == pytest.approx(0.5, abs=0.01)


def test_a_scene_knows_its_ink_and_paper():
    good: Scene = scene(look=QUIET)
    paper = 255 * encoded(np.asarray(good.paper), "srgb")
    ink = 255 * encoded(np.asarray(good.ink), "srgb")
    assert paper == pytest.approx(220, abs=2)
    assert ink == pytest.approx(40, abs=4)
