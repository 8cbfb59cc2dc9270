"""Training end to end, small: the pool follows writers, the loop learns, files come and load."""

from __future__ import annotations

import copy
import json
import time

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="training needs the train extra")
from toy_samples import write_samples  # noqa: E402

from training import checkpoint  # noqa: E402
from training.augment import plain_batch  # noqa: E402
from training.descent import rate_factor  # noqa: E402
from training.losses import all_losses  # noqa: E402
from training.losslog import Log  # noqa: E402
from training.network import TIP_WHOLE, Network, build  # noqa: E402
from training.plan import Shapes, make_plan  # noqa: E402
from training.samples import Pool, read_folder  # noqa: E402
from training.targets import collect  # noqa: E402
from training.train import arguments, shapes_of, train  # noqa: E402
from training.validate import peaks, validate  # noqa: E402
from training.views import plain_read  # noqa: E402

pytestmark = pytest.mark.torch
CPU = torch.device("cpu")


def _settle(pool: Pool, count: int) -> None:
    end = time.monotonic() + 20
    while len(pool) < count and time.monotonic() < end:
        time.sleep(0.05)


def test_pool_follows_several_writers_and_outlives_bad_lines(tmp_path):
    write_samples(tmp_path, 2, seed=1)
    pool = Pool([str(tmp_path)], device=CPU, workers=2, poll_s=0.05)
    pool.start()
    _settle(pool, 2)
    write_samples(tmp_path, 3, seed=2, part="part-1", view="crop")
    path = tmp_path / "part-1" / "truth.jsonl"
    with path.open("a") as stream:
        stream.write('{"file": "gone.jpg", "usable": true, "reason": "ok"}\n')
        stream.write("not json\n")
        stream.write('{"file": "half')  # a writer is in the middle of this line
    write_samples(tmp_path, 1, seed=3, part="part-2")
    _settle(pool, 6)
    end = time.monotonic() + 20
    while pool.failures < 2 and time.monotonic() < end:
        time.sleep(0.05)
    pool.stop()
    assert len(pool) == 6
    assert pool.failures == 2
    rng = np.random.default_rng(0)
    assert {s.truth.view for s in pool.draw(40, rng)} == {"photo", "crop"}
    assert {s.truth.view for s in pool.draw(40, rng, photos_only=True)} == {"photo"}


def test_pool_stays_within_its_memory(tmp_path):
    samples = read_folder(write_samples(tmp_path, 6, seed=4))
    size = samples[0].image.nbytes + samples[0].mask.nbytes
    pool = Pool([], device=CPU, ram_gb=3.5 * size / 1e9)
    for sample in samples:
        pool.add(sample)
    assert len(pool) == 3


def test_batch_shapes_are_the_commands_own():
    assert shapes_of(arguments(["--samples", "x", "--out", "y.pt"])) == Shapes()


def test_a_plan_repeats(tmp_path):
    pool = Pool([], device=CPU)
    for sample in read_folder(write_samples(tmp_path, 4, seed=5)):
        pool.add(sample)
    shapes = Shapes(read_sizes=(64,), look_shapes=((64, 64),), read_batch=5, look_batch=5)
    for step in (0, 4):
        one, two = (make_plan(pool, shapes, step, seed=9) for _ in range(2))
        assert [s.truth.file for s in one.look.samples] == [s.truth.file for s in two.look.samples]
        assert torch.equal(one.targets.tips, two.targets.tips)
        assert one.look.views[0].look == (step == 4)


def test_rate_warms_up_and_falls_to_little():
    assert rate_factor(0.0, 0) < 0.02
    assert rate_factor(0.3, 400) > rate_factor(0.6, 800) > rate_factor(1.0, 2000)
    assert rate_factor(1.0, 2000) == pytest.approx(0.01)


def test_peaks_come_back_from_a_drawn_map():
    heat = torch.zeros(1, 8, 8)
    heat[0, 2, 3], heat[0, 2, 4], heat[0, 6, 6] = 0.9, 0.6, 0.5
    offset = torch.full((1, 2, 8, 8), 0.25)
    found = peaks(heat, offset, 0.3)[0]
    assert found[:, :2].tolist() == [[3.75, 2.75], [6.75, 6.75]]


@pytest.mark.slow
def test_loop_writes_checkpoints_that_resume(tmp_path):
    write_samples(tmp_path / "samples", 6, seed=6, empty_every=3)
    write_samples(tmp_path / "val", 2, seed=7, width=384, height=512)
    out = tmp_path / "run" / "c.pt"
    words = [
        "--samples",
        str(tmp_path / "samples"),
        "--val",
        str(tmp_path / "val"),
        "--device",
        "cpu",
        "--no-pretrained",
        "--min-samples",
        "6",
        "--batch",
        "2",
        "--look-batch",
        "2",
        "--read-sizes",
        "64,96",
        "--look-shapes",
        "64x64",
        "--look-every",
        "2",
        "--minutes",
        "5",
        "--max-steps",
        "4",
        "--save-state",
        "--log",
        str(tmp_path / "log.jsonl"),
        "--out",
        str(out),
    ]
    scores = train(arguments(words))
    assert out.stat().st_size < 10e6
    assert {"collar_f1", "tip_f1", "miou", "count_exact", "usability_look"} <= set(scores)
    assert json.loads(out.with_suffix(".scores.json").read_text())["samples"] == 2
    row = json.loads((tmp_path / "log.jsonl").read_text().splitlines()[-1])
    assert row["step"] == 4
    assert row["losses"]["total"] > 0
    facts = checkpoint.load_weights(out, Network())
    assert facts["step"] == 4

    words[words.index("--max-steps") + 1] = "6"
    train(arguments([*words, "--resume", str(out)]))
    assert checkpoint.load_weights(out, Network())["step"] == 6
    words[words.index("--max-steps") + 1] = "1"
    train(arguments([*words, "--init", str(out)]))
    assert checkpoint.load_weights(out, Network())["step"] == 1
    _tops_alone_change_nothing_else(out, arguments([*words, "--init", str(out), "--tops-alone"]))


def _tops_alone_change_nothing_else(out, options):
    """What is told of leaf tops and torn tips learns alone."""
    before, after = Network().eval(), Network().eval()
    checkpoint.load_weights(out, before)
    train(options)
    checkpoint.load_weights(out, after)
    image = torch.rand(1, 3, 64, 64)
    with torch.no_grad():
        (maps, answers), (told, said) = before(image), after(image)
    assert torch.equal(told[:, :20], maps[:, :20])
    assert torch.equal(said, answers)
    assert not torch.equal(told[:, 20:], maps[:, 20:])


def test_a_checkpoint_of_fewer_maps_begins_the_others_at_nothing(tmp_path):
    """The weights that a network began with are read by one that tells more, and tell the same."""
    torch.manual_seed(3)
    network = Network().eval()
    weights = dict(network.state_dict())
    for name in checkpoint.MAP_ROWS:
        weights[name] = weights[name][:20]
    weights = {k: v for k, v in weights.items() if not k.startswith(checkpoint.GREW)}
    path = tmp_path / "fewer.pt"
    torch.save({"weights": weights, "step": 7}, path)
    other = Network().eval()
    assert checkpoint.load_weights(path, other)["step"] == 7
    image = torch.rand(1, 3, 64, 64)
    with torch.no_grad():
        (maps, answers), (told, said) = network(image), other(image)
    torch.testing.assert_close(told[:, :20], maps[:, :20])
    torch.testing.assert_close(said, answers)
    assert not told[:, 20:24].any()
    assert (told[:, TIP_WHOLE] == 4.0).all()  # every tip is taken as whole: P is 0.98


def test_a_state_goes_on_as_if_nothing_had_happened(tmp_path):
    """The average's share of a step, and what dropout draws next, are part of the state."""
    layers = torch.nn.Sequential(torch.nn.Linear(4, 4), torch.nn.Dropout(0.5))

    def begun():
        network = copy.deepcopy(layers).train()
        optimiser = torch.optim.AdamW(network.parameters(), lr=0.1)
        return network, optimiser, checkpoint.Average(network, 0.998)

    def go_on(network, optimiser, average, steps):
        for _ in range(steps):
            optimiser.zero_grad()
            network(torch.ones(3, 4)).square().sum().backward()
            optimiser.step()
            average.update()
        return average.state()

    path = tmp_path / "c.pt"
    torch.manual_seed(1)
    whole = begun()
    go_on(*whole, 5)
    checkpoint.save_state(checkpoint.state_beside(path), *whole, step=5, elapsed_s=1.0)
    wanted = go_on(*whole, 5)
    resumed = begun()
    torch.manual_seed(9)  # whatever was drawn since
    assert checkpoint.load_state(path, *resumed, CPU) == (5, 1.0)
    for name, value in go_on(*resumed, 5).items():
        assert torch.equal(value, wanted[name]), name
    # A state that an older version wrote.
    state = torch.load(checkpoint.state_beside(path), weights_only=True)
    old = {k: v for k, v in state.items() if k not in ("updates", "random", "cuda_random")}
    torch.save(old, checkpoint.state_beside(path))
    resumed = begun()
    assert checkpoint.load_state(path, *resumed, CPU) == (5, 1.0)
    assert resumed[2].updates == 5


def test_checkpoint_of_another_network_is_refused(tmp_path):
    path = tmp_path / "x.pt"
    torch.save({"weights": {"strange": torch.zeros(2, 2)}, "step": 1}, path)
    with pytest.raises(RuntimeError, match="does not fit"):
        checkpoint.load_weights(path, Network())


@pytest.mark.slow
def test_network_learns_eight_plants_by_heart(tmp_path):
    """If any target, loss, map or peak were misplaced, this could not reach these figures."""
    torch.manual_seed(0)
    samples = read_folder(write_samples(tmp_path, 8, seed=1))
    views = [plain_read(s.truth, 240, 320, 128) for s in samples]
    image, share = plain_batch(samples, views, CPU)
    targets = collect([s.truth for s in samples], views)
    try:
        network = build().train()
    except FileNotFoundError as error:
        pytest.skip(str(error))
    optimiser = torch.optim.AdamW(network.parameters(), lr=4e-3)
    began = time.monotonic()
    for step in range(48):
        if step == 32:  # norms must have caught up when they are used
            for module in network.modules():
                if isinstance(module, torch.nn.BatchNorm2d):
                    module.momentum = 0.3
            for group in optimiser.param_groups:
                group["lr"] = 1e-3
        losses = all_losses(*network(image), share, targets)
        optimiser.zero_grad()
        losses["total"].backward()
        optimiser.step()
        if time.monotonic() - began > 170:
            pytest.skip(f"this machine managed only {step} steps")
    scores = validate(network, samples, CPU, size=128)
    assert scores["collar_f1"] > 0.95
    assert scores["tip_f1"] > 0.85
    assert scores["count_exact"] == 1.0
    assert scores["top_rank_exact"] > 0.8
    assert scores["base_within_3pc"] > 0.95


def test_a_run_that_learns_nothing_ends_and_names_the_loss() -> None:
    log = Log(None)
    nan = torch.tensor(float("nan"))
    for _ in range(10):
        log.add({"taught": nan, "tip": torch.tensor(0.5), "total": nan}, 4, look=False)
    with pytest.raises(SystemExit, match=r"no finite loss in 10 steps \(taught, total\)"):
        log.write(step=10)
    log.reset()
    for total in [nan] * 9 + [torch.tensor(1.0)]:
        log.add({"total": total}, 4, look=False)
    log.write(step=20)  # one step learnt
