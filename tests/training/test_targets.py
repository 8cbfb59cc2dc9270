"""Targets: where answers stand, which count for which reason, what the losses make of them."""

from __future__ import annotations

import math

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="training needs the train extra")
from training import network as net  # noqa: E402
from training.losses import (  # noqa: E402
    WEIGHTS,
    all_losses,
    heat_loss,
    keypoint_losses,
    top_losses,
)
from training.samples import parse_truth  # noqa: E402
from training.targets import HEAT_SIGMA, RULES, collect, heatmaps, neighbourhood  # noqa: E402
from training.views import plain_look, plain_read  # noqa: E402

pytestmark = pytest.mark.torch


def _row(**changes):
    row = {
        "file": "a.jpg",
        "usable": True,
        "reason": "ok",
        "stage_v": 2,
        "layout": "standing",
        "collars_visible_in_image": [
            {"rank": 1, "x": 100.0, "y": 150.0, "occluded": False},
            {"rank": 2, "x": 103.0, "y": 120.0, "occluded": True},
        ],
        "tips": [
            {
                "rank": 1,
                "x": 140.0,
                "y": 140.0,
                "occluded": False,
                "has_collar": True,
                "rounded": True,
                "real_tip": True,
                "link_x": 100.0,
                "link_y": 150.0,
                "top_x": 130.0,
                "top_y": 110.0,
                "toward_px": 48.0,
                "arches": True,
                "half_out": False,
            },
            {
                "rank": 2,
                "x": 60.0,
                "y": 60.0,
                "occluded": True,
                "has_collar": True,
                "rounded": False,
                "real_tip": True,
                "link_x": 103.0,
                "link_y": 120.0,
            },
        ],
        "first_leaf": {"present": True},
        "lower_leaves_missing": 0,
        "base_xy": [100.0, 200.0],
        "arch_xy": [120.0, 80.0],
        "plant_box_px": [60, 60, 140, 200],
        "view": "photo",
    }
    return {**row, **changes}


def _targets(row, size=160):
    truth = parse_truth(row)
    view = plain_read(truth, 240, 320, size)
    return truth, view, collect([truth], [view])


def test_heat_peaks_at_the_cell_that_holds_the_point():
    truth, view, targets = _targets(_row())
    heat, _ = heatmaps(targets, (40, 40))
    for channel, xy in (
        (0, (100, 150)),
        (1, (140, 140)),
        (2, (100, 200)),
        (3, (120, 80)),
        (4, (103, 120)),
    ):
        u, v = view.to_net(np.array(xy))[0] / 4
        assert heat[0, channel, int(v), int(u)] == 1.0
        assert (heat[0, channel] == 1.0).sum() == 1
    # A gaussian: one cell beside the point it has fallen as its formula says.
    u, v = view.to_net(np.array((100, 150)))[0] / 4
    cell = (int(v), int(u) + 1)
    far = ((cell[1] + 0.5 - u) ** 2 + (cell[0] + 0.5 - v) ** 2) / (2 * HEAT_SIGMA["collar"] ** 2)
    assert float(heat[0, 0][cell]) == pytest.approx(math.exp(-far), rel=1e-4)


def test_two_collars_at_two_and_a_half_cells_stay_two():
    collars = [
        {"rank": k + 1, "x": 100.0, "y": 150.0 - 10 * k, "occluded": False} for k in range(2)
    ]
    truth = parse_truth(_row(collars_visible_in_image=collars))
    view = plain_read(truth, 240, 320, 174)  # 1 sample px is 1 network px: 10 px, 2.5 cells
    assert np.hypot(
        *(
            view.to_net(np.array([[100, 150], [100, 140]]))[0]
            - view.to_net(np.array([[100, 140]]))[0]
        )
    ) == pytest.approx(10, abs=0.1)
    heat, _ = heatmaps(collect([truth], [view]), (43, 43))
    assert (heat[0, 0] == 1).sum() == 2
    column = heat[0, 0].amax(1)
    peaks = [r for r in range(1, 42) if column[r] >= column[r - 1] and column[r] > column[r + 1]]
    assert len(peaks) == 2


def test_occluded_points_are_neither_right_nor_wrong():
    _, view, targets = _targets(_row())
    _, weight = heatmaps(targets, (40, 40))
    for channel, xy in ((0, (103, 120)), (1, (60, 60))):
        u, v = view.to_net(np.array(xy))[0] / 4
        assert weight[0, channel, int(v), int(u)] == 0
    u, v = view.to_net(np.array((100, 150)))[0] / 4
    assert weight[0, 0, int(v), int(u)] == 1


def test_neighbourhood_offsets_lead_to_the_point_and_to_the_nearer_one():
    points = torch.tensor([[[10.3, 7.8], [12.1, 7.8], [0.0, 0.0]]])
    used = torch.tensor([[1.0, 1.0, 0.0]])
    index, offset, weight = neighbourhood(points, used, (20, 24))
    rows, columns = index // 24, index % 24
    reached = torch.stack([columns + 0.5, rows + 0.5], -1) + offset
    on = weight[0] > 0
    assert torch.allclose(reached[0, :9][on[:9]], points[0, 0].expand(int(on[:9].sum()), 2))
    assert not on[18:].any()
    taken = set(index[0, :9][on[:9]].tolist()) & set(index[0, 9:18][on[9:18]].tolist())
    assert not taken  # no cell serves two points


@pytest.mark.parametrize(
    ("reason", "points", "whole"),
    [
        ("ok", 1, 1),
        ("no_plant", 1, 0),
        ("not_maize", 1, 0),
        ("cut_off", 1, 0),
        ("blurred", 0, 0),
        ("dark", 0, 0),
        ("several", 1, 0),
    ],
)
def test_rules_by_reason(reason, points, whole):
    _, _, targets = _targets(_row(reason=reason, usable=reason == "ok"))
    assert float(targets.w_tips) == points == RULES[reason].points
    assert float(targets.w_count) == whole
    assert int(targets.usability) == net.REASONS.index(reason)


def test_several_plants_are_a_fact_of_the_whole_photo_only():
    truth = parse_truth(_row(reason="several", usable=False))
    look = collect([truth], [plain_look(truth, 240, 320)])
    read = collect([truth], [plain_read(truth, 240, 320)])
    assert (float(look.w_usability), float(read.w_usability)) == (1, 0)
    # Every plant's collars and tips are listed, but the foot and the arch of one alone.
    assert (float(read.w_collars), float(read.w_tips), float(read.w_single)) == (1, 1, 0)


def test_count_is_not_taught_where_a_collar_fell_outside():
    collars = [{"rank": 1, "x": -30.0, "y": 150.0, "occluded": False}]
    _, _, targets = _targets(_row(collars_visible_in_image=collars))
    assert float(targets.w_count) == 0
    assert float(targets.collars[..., 3].sum()) == 0


@pytest.mark.parametrize(("stage", "lost", "count"), [(2, 0, 2), (6, 1, 5), (7, 3, 4), (1, 2, 0)])
def test_lost_leaves_are_not_in_the_count(stage, lost, count):
    _, _, targets = _targets(_row(stage_v=stage, lower_leaves_missing=lost))
    assert float(targets.count) == count
    assert float(targets.lost) == min(lost, 3)


def test_a_count_needs_the_lost_leaves_known():
    _, _, targets = _targets(_row(stage_v=6, lower_leaves_missing=None))
    assert float(targets.w_count) == 0


def test_other_words_for_reasons_and_torn_tips():
    truth = parse_truth(_row(reason="two_plants", usable=False))
    assert truth.reason == "several"
    tips = [{"rank": 3, "x": 1.0, "y": 2.0, "real_tip": False, "has_collar": True}]
    truth = parse_truth(_row(tips=tips))
    assert truth.tips[0, 5] == -1  # a torn end is neither rounded nor pointed
    assert truth.tips[0, 8] == 0
    del tips[0]["real_tip"]
    assert parse_truth(_row(tips=tips)).tips[0, 8] == -1  # nobody said
    assert np.isnan(truth.tips[0, 6:8]).all()
    with pytest.raises(ValueError, match="unknown reason"):
        parse_truth(_row(reason="strange"))


def test_a_torn_tip_teaches_that_it_is_torn_and_nothing_of_its_shape():
    row = _row()
    row["tips"] = [{**row["tips"][0], "real_tip": False}]
    _, _, targets = _targets(row)
    losses = []
    for rounded, whole in ((0.0, -20.0), (20.0, -20.0), (0.0, 20.0)):
        maps = torch.zeros(1, len(net.MAP_CHANNELS), 40, 40)
        maps[:, net.TIP_ROUNDED], maps[:, net.TIP_WHOLE] = rounded, whole
        got = keypoint_losses(maps, targets)
        losses.append((float(got["rounded"]), float(got["whole"])))
    assert losses == [(0.0, pytest.approx(0.0, abs=1e-6))] * 2 + [(0.0, pytest.approx(20.0))]


def test_the_tops_of_leaves_follow_the_view_and_keep_what_is_not_known():
    """How far a top stands towards the camera grows with the view, as all lengths do."""
    truth, view, targets = _targets(_row())
    assert targets.tops[0, 1:, 5].sum() == 0  # only one leaf tells its top
    u, v, toward, arches, half_out, used = targets.tops[0, 0].tolist()
    (x, y), (ahead, _) = view.to_net(np.array([[130.0, 110.0], [178.0, 110.0]]))
    assert (u, v) == pytest.approx((x / net.MAP_STRIDE, y / net.MAP_STRIDE))
    assert toward == pytest.approx((ahead - x) / net.MAP_STRIDE, rel=1e-5)
    assert (arches, half_out, used) == (1.0, 0.0, 1.0)
    laid = _row()
    laid["tips"] = [{**laid["tips"][0], "toward_px": None}]
    assert np.isnan(_targets(laid)[2].tops[0, 0, 2])


def test_a_top_told_too_far_costs_by_the_spread_that_is_told_with_it():
    """The negative log likelihood of a Laplace distribution, by hand: |error| / b + log b."""
    _, _, targets = _targets(_row())
    toward = float(targets.tops[0, 0, 2]) / net.TOWARD_SCALE
    for error, log_spread in ((0.0, 0.0), (0.5, 0.0), (0.5, -1.0), (-0.3, 1.0)):
        maps = torch.zeros(1, len(net.MAP_CHANNELS), 40, 40)
        maps[:, net.TOPS.start] = toward + error
        maps[:, net.TOPS.start + 1] = log_spread
        loss = float(top_losses(maps, targets)["toward"])
        assert loss == pytest.approx(abs(error) / math.exp(log_spread) + log_spread, abs=1e-5)


def _perfect(targets, share):
    """Maps and globals that answer exactly what the targets ask."""
    h, w = share.shape[2:]
    heat, _ = heatmaps(targets, (h, w))
    maps = torch.zeros(1, len(net.MAP_CHANNELS), h, w)
    maps[:, net.CLASSES] = (share - 0.5) * 40
    maps[:, net.HEATS] = torch.where(heat >= 1, 20.0, -20.0)
    at = torch.arange(w) + 0.5, torch.arange(h) + 0.5
    points = torch.cat([targets.collars, targets.hidden], 1)[0]
    for kind, offset, rank in (
        (points, net.COLLAR_OFFSET, net.COLLAR_RANK),
        (targets.tips[0], net.TIP_OFFSET, net.TIP_RANK),
    ):
        used = kind[kind[:, 3] > 0]
        dx, dy = used[:, 0, None, None] - at[0], used[:, 1, None, None] - at[1][:, None]
        near = (dx**2 + dy**2).argmin(0)
        maps[0, offset.start] = dx.expand(-1, h, w).gather(0, near[None])[0]
        maps[0, offset.start + 1] = dy.expand(-1, h, w).gather(0, near[None])[0]
        maps[0, rank] = used[:, 2][near] / net.RANK_SCALE
    tip = targets.tips[0, 0]
    for channel in (net.TIP_ROUNDED, net.TIP_COLLARED, net.TIP_WHOLE):
        maps[0, channel] = 20.0
    maps[0, net.LINK] = ((tip[6:8] - tip[0:2]) / net.LINK_SCALE)[:, None, None]
    toward = targets.tops[0, 0, 2] / net.TOWARD_SCALE
    for channel, value in enumerate((float(toward), 0.0, 20.0, -20.0), net.TOPS.start):
        maps[0, channel] = value
    answers = torch.full((1, len(net.GLOBAL_CHANNELS)), -20.0)
    answers[0, :2] = 20.0
    answers[0, [12, 20, 21, net.FOOT_FIRST_LEAF, net.FOOT_LOST.start]] = 20.0
    return maps, answers


def test_losses_vanish_for_perfect_answers_and_grow_for_each_fault():
    _, _, targets = _targets(_row())
    share = torch.zeros(1, 5, 40, 40)
    share[:, 0] = 1.0
    share[:, :, 20:, :20] = torch.tensor([0, 1.0, 0, 0, 0])[:, None, None]
    share[:, :, 20:, 20:] = torch.tensor([0, 0, 1.0, 0, 0])[:, None, None]
    maps, answers = _perfect(targets, share)
    losses = all_losses(maps, answers, share, targets)
    assert set(losses) == {*WEIGHTS, "total"}
    for name, value in losses.items():
        assert float(value) < 0.01, name
    faults = {
        "collar": (maps, net.HEATS.start),
        "tip_offset": (maps, net.TIP_OFFSET.start),
        "link": (maps, net.LINK.start),
        "rounded": (maps, net.TIP_ROUNDED),
        "collared": (maps, net.TIP_COLLARED),
        "whole": (maps, net.TIP_WHOLE),
        "collar_rank": (maps, net.COLLAR_RANK),
        "toward": (maps, net.TOPS.start),
        "arches": (maps, net.TOPS.start + 2),
        "half_out": (maps, net.TOPS.start + 3),
        "classes": (maps, 1),
        "count": (answers, 1),
        "first_leaf": (answers, net.FIRST_LEAF),
        "usability": (answers, 12),
        "lost": (answers, 21),
        "foot_first_leaf": (answers, net.FOOT_FIRST_LEAF),
        "foot_lost": (answers, net.FOOT_LOST.start),
    }
    for name, (where, channel) in faults.items():
        wrong = where.clone()
        wrong[:, channel] = -where[:, channel] + 0.7
        pair = (wrong, answers) if where is maps else (maps, wrong)
        assert float(all_losses(*pair, share, targets)[name]) > 0.05, name


def test_heat_loss_is_the_published_formula():
    """Law & Deng 2018 (arXiv 1808.01244), eq. 1: alpha 2, beta 4, by hand for three cells."""
    logit = torch.tensor([0.3, -1.0, 2.0]).view(1, 1, 1, 3)
    heat = torch.tensor([1.0, 0.4, 0.0]).view(1, 1, 1, 3)
    p = [1 / (1 + math.exp(-v)) for v in (0.3, -1.0, 2.0)]
    by_hand = -(
        (1 - p[0]) ** 2 * math.log(p[0])
        + (1 - 0.4) ** 4 * p[1] ** 2 * math.log(1 - p[1])
        + p[2] ** 2 * math.log(1 - p[2])
    )
    got = heat_loss(logit, heat, torch.ones_like(heat))
    assert float(got) * 4.0 == pytest.approx(by_hand, rel=1e-5)  # the divisor is at least 4


def test_a_foot_teaches_what_is_lost_and_nothing_else_of_the_whole_plant():
    _, _, foot = _targets(_row(view="foot"))
    _, _, stalk = _targets(_row(view="close"))
    assert float(foot.w_foot_lost) == float(foot.w_foot_first) == 1.0
    assert float(stalk.w_foot_lost) == float(stalk.w_foot_first) == 0.0
    for part in (foot, stalk):
        for name in ("w_count", "w_usability", "w_laid", "w_first", "w_lost", "w_single"):
            assert float(getattr(part, name)) == 0.0, name
        assert float(part.w_taught) == 0.0
        assert float(part.w_taught_maps) == float(part is foot)
        assert float(part.w_collars) == float(part.w_tips) == float(part.w_classes) == 1.0
    _, _, whole = _targets(_row())
    assert float(whole.w_foot_lost) == float(whole.w_lost) == float(whole.w_taught) == 1.0


def test_a_foot_out_of_view_teaches_nothing_of_what_is_lost():
    truth = parse_truth(_row(view="foot", base_xy=[100.0, 500.0]))
    targets = collect([truth], [plain_read(parse_truth(_row()), 240, 320, 160)])
    assert float(targets.w_foot_lost) == float(targets.w_foot_first) == 0.0
