"""Augmentation: pixels and points move together; JPEG and blur do what the real ones do."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

torch = pytest.importorskip("torch", reason="training needs the train extra")
from toy_samples import draw_plant  # noqa: E402

from training import phone, views  # noqa: E402
from training.augment import (  # noqa: E402
    Look,
    augmented_batch,
    class_shares,
    decide,
    plain_batch,
    sample_views,
)
from training.jpeg import jpeg_round_trip  # noqa: E402
from training.samples import Sample, parse_truth  # noqa: E402

pytestmark = pytest.mark.torch
CPU = torch.device("cpu")


def _sample(seed=0, **changes) -> Sample:
    image, mask, row = draw_plant(np.random.default_rng(seed), stage=3)
    truth = parse_truth({"file": "toy.jpg", **row, **changes})
    return Sample(
        torch.from_numpy(image),
        torch.from_numpy(mask),
        truth,
        float(((image / 255.0) ** 2.2).mean()),
    )


def _dots(points) -> Sample:
    """A black photo with a white 5 x 5 dot at each point."""
    image = np.zeros((320, 240, 3), np.uint8)
    for x, y in points:
        image[int(y) - 2 : int(y) + 3, int(x) - 2 : int(x) + 3] = 255
    sample = _sample()
    return Sample(torch.from_numpy(image), sample.mask, sample.truth, 0.1)


@pytest.mark.parametrize("kind", ["read", "look", "plain_read", "plain_look"])
def test_points_land_where_their_pixels_land(kind):
    points = np.array([[100.5, 90.5], [140.5, 230.5], [120.5, 160.5]])
    sample = _dots(points)
    rng = np.random.default_rng(3)
    for _ in range(12):
        view = {
            "read": lambda: views.jittered_read(sample.truth, 240, 320, 256, rng),
            "look": lambda: views.jittered_look(sample.truth, 240, 320, 256, 320, rng, 0.0),
            "plain_read": lambda: views.plain_read(sample.truth, 240, 320, 256),
            "plain_look": lambda: views.plain_look(sample.truth, 240, 320, 320, 320),
        }[kind]()
        image, _, inside = sample_views([sample], [view], CPU)
        bright = (image * inside)[0].mean(0).numpy()
        x, y = np.meshgrid(np.arange(view.width) + 0.5, np.arange(view.height) + 0.5)
        net = view.to_net(points)
        for (u, v), shown in zip(net, view.shows(net), strict=True):
            near = (np.hypot(x - u, y - v) < 8) * bright
            if shown and 10 < u < view.width - 10 and 10 < v < view.height - 10:
                assert (
                    np.hypot((near * x).sum() / near.sum() - u, (near * y).sum() / near.sum() - v)
                    < 0.6
                )


@settings(max_examples=60, deadline=None)
@given(st.floats(0, views.MOST_STRETCH), st.floats(*views.STRETCH_WAVES), st.floats(0, 6.28))
def test_a_stretch_is_undone_and_never_folds(amplitude, waves, phase):
    flat = views.plain_read(_sample().truth, 240, 320, 256)
    view = replace(flat, stretch=(amplitude, waves, phase))
    y = np.linspace(-40, 300, 60)
    assert np.allclose(view.stretched(view.unstretched(y)), y, atol=1e-3)
    assert (np.diff(view.unstretched(y)) > 0).all()


def test_two_views_in_three_are_stretched_along_the_stalk():
    rng = np.random.default_rng(4)
    drawn = [views.jittered_read(_sample().truth, 240, 320, 256, rng).stretch for _ in range(200)]
    share = np.mean([amplitude > 0 for amplitude, _, _ in drawn])
    assert abs(share - views.STRETCHED_SHARE) < 0.1
    assert max(amplitude for amplitude, _, _ in drawn) <= views.MOST_STRETCH


def test_plain_read_is_what_opencv_cuts():
    """The same crop by `cv2.warpAffine` (bilinear) differs by rounding only."""
    sample = _sample()
    view = views.plain_read(sample.truth, 240, 320, 256)
    image, _ = plain_batch([sample], [view], CPU)
    # OpenCV's pixel centres are at integers.
    shift = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
    matrix = np.linalg.inv(shift) @ view.sample_from_net @ shift
    theirs = cv2.warpAffine(
        sample.image.numpy(),
        matrix[:2],
        (256, 256),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(114, 114, 114),
    )
    ours = image[0].permute(1, 2, 0).numpy() * 255
    assert np.median(np.abs(ours - theirs)) < 1.0
    assert np.percentile(np.abs(ours - theirs), 99) < 12  # edges: OpenCV steps by 1/32 px


def test_class_shares_sum_to_one_and_follow_the_mask():
    mask = torch.zeros(1, 1, 8, 8)
    mask[..., :2] = 2
    shares = class_shares(mask)
    assert torch.allclose(shares.sum(1), torch.ones(1, 2, 2))
    assert float(shares[0, 2, 0, 0]) == 0.5


@pytest.mark.parametrize("subsample", [True, False])
@pytest.mark.parametrize("quality", [40, 75, 92])
def test_jpeg_loses_what_the_reference_library_loses(quality, subsample):
    """Against libjpeg through OpenCV: nearer to its result than its result is to the original."""
    image = cv2.GaussianBlur(_sample().image.numpy(), (0, 0), 0.8)
    factor = (
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420
        if subsample
        else (cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444)
    )
    _, data = cv2.imencode(
        ".jpg",
        image[..., ::-1],
        [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, factor],
    )
    theirs = cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1].astype(float)
    tensor = torch.from_numpy(image).permute(2, 0, 1)[None].float() / 255
    ours = jpeg_round_trip(tensor, [quality], subsample)[0].permute(1, 2, 0).numpy() * 255
    apart = np.sqrt(((ours - theirs) ** 2).mean())
    lost = np.sqrt(((theirs - image) ** 2).mean())
    assert apart < 0.45 * lost + 0.5  # its planes are rounded to 8 bits, ours are not


def test_blur_spreads_by_the_sigma_asked_for():
    light = torch.zeros(3, 3, 129, 129)
    light[..., 64, 64] = 1.0
    rng = np.random.default_rng(0)
    for sigma in (1.2, 2.0):
        for kind in ("disk", "gauss"):
            kernel = phone._kernel(kind, sigma, 11, rng)
            spread = phone._filter_each(light[:1], kernel[None])[0, 0].numpy()
            y, x = np.mgrid[0:129, 0:129] - 64.0
            both = np.sqrt((spread * (x**2 + y**2)).sum() / spread.sum() / 2)
            assert both == pytest.approx(sigma, rel=0.25)


def test_made_unusable_photos_are_plainly_so_and_fine_ones_fine():
    samples = [_sample(k) for k in range(8)] * 40
    rng = np.random.default_rng(1)
    looks = [views.jittered_read(s.truth, 240, 320, 128, rng) for s in samples]
    look = decide(samples, looks, rng)
    kinds = np.array(look.reasons)
    sharpness = look.blur_sigma * np.array([v.read_px_per_px for v in looks])
    assert {"ok", "blurred", "dark"} == set(kinds)
    assert sharpness[kinds == "blurred"].min() > 4
    assert sharpness[kinds == "ok"].max() < 1.7
    light = look.light * np.array([s.mean_light for s in samples])
    assert light[kinds == "dark"].max() < 0.0065
    assert light[kinds == "ok"].min() > 0.029


def cut_fraction(box: np.ndarray, frame: tuple[float, float, float, float]) -> float:
    """Largest share of the box's width or height that lies outside a frame."""
    box_w, box_h = box[2] - box[0], box[3] - box[1]
    outside_x = max(frame[0] - box[0], 0) + max(box[2] - frame[2], 0)
    outside_y = max(frame[1] - box[1], 0) + max(box[3] - frame[3], 0)
    return float(max(outside_x / box_w, outside_y / box_h))


def test_cut_off_is_made_of_whole_photos_and_never_half_made():
    sample = _sample()
    box = views.read_box(sample.truth, 240, 320)
    rng = np.random.default_rng(2)
    seen = set()
    for _ in range(300):
        view = views.jittered_look(sample.truth, 240, 320, 256, 320, rng, cut_share=0.5)
        x0, y0, x1, y1 = view.window
        corners = np.array([[x0, y0, 1], [x1, y1, 1], [x0, y1, 1], [x1, y0, 1]], float)
        inside = corners @ view.sample_from_net.T
        frame = (*inside[:, :2].min(0), *inside[:, :2].max(0))
        share = cut_fraction(box, frame)
        assert (share > 0.04) if view.reason == "cut_off" else (share < 0.015)
        seen.add(view.reason)
    assert seen == {"ok", "cut_off"}


def test_a_seed_repeats_a_batch_and_every_pixel_is_finite():
    samples = [_sample(k) for k in range(6)]
    batches = []
    for _ in range(2):
        rng = np.random.default_rng(11)
        looks = [views.jittered_read(s.truth, 240, 320, 96, rng) for s in samples]
        batches.append(augmented_batch(decide(samples, looks, rng), CPU))
    assert torch.equal(batches[0][0], batches[1][0])
    assert torch.isfinite(batches[0][0]).all()
    assert float(batches[0][0].min()) >= 0
    assert float(batches[0][0].max()) <= 1


def test_background_paint_leaves_the_plant():
    sample = _sample()
    view = views.plain_read(sample.truth, 240, 320, 256)
    image, mask, _ = sample_views([sample], [view], CPU)
    painted = phone.paint_background(
        image.clone(), mask, np.random.default_rng(0), torch.Generator().manual_seed(0)
    )
    changed = (painted - image).abs().amax(1)[0]
    grown = torch.nn.functional.max_pool2d((mask != 0).float(), 3, 1, 1)[0, 0]
    assert float(changed[(mask[0, 0] != 0) & (grown > 0)].median()) < 1e-6
    assert float(changed[grown == 0].mean()) > 0.03


def test_a_closer_look_is_blown_up_and_nothing_else_is():
    image = torch.rand(12, 3, 96, 96, generator=torch.Generator().manual_seed(3))
    got = phone.blow_up(image.clone(), list(range(0, 12, 2)), np.random.default_rng(4))
    assert torch.equal(got[1::2], image[1::2])
    detail = (got - torch.nn.functional.avg_pool2d(got, 3, 1, 1)).abs().mean((1, 2, 3))
    changed = [k for k in range(0, 12, 2) if not torch.equal(got[k], image[k])]
    assert len(changed) >= 3
    assert float(detail[changed].max()) < 0.8 * float(detail[1::2].min())


def test_ruined_views_darken():
    sample = _sample()
    view = views.plain_read(sample.truth, 240, 320, 96)
    look = Look(
        [sample],
        [view],
        ["dark"],
        np.zeros(1),
        np.zeros(1, bool),
        np.array([0.002 / sample.mean_light]),
        5,
    )
    image, _ = augmented_batch(look, CPU)
    assert float(image.median()) < 0.1
