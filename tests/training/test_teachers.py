"""Teachers: what they answer together, and what a network is told that answers otherwise."""

from __future__ import annotations

import math

import pytest

torch = pytest.importorskip("torch", reason="training needs the train extra")
from toy_samples import write_samples  # noqa: E402

from training import checkpoint  # noqa: E402
from training import network as net  # noqa: E402
from training.losses import WEIGHTS  # noqa: E402
from training.network import build  # noqa: E402
from training.teachers import UNTAUGHT, Teachers, taught_losses  # noqa: E402
from training.train import arguments, train  # noqa: E402

pytestmark = pytest.mark.torch


class Fixed(torch.nn.Module):
    """A network that always answers the same."""

    def __init__(self, level: float):
        super().__init__()
        self.level = torch.nn.Parameter(torch.tensor(level))

    def forward(self, image):
        count = image.shape[0]
        maps = self.level.expand(count, len(net.MAP_CHANNELS), 8, 8)
        return maps, self.level.expand(count, len(net.GLOBAL_CHANNELS))


ALL = torch.ones(2)
"""Weights of two samples whose answers count."""


def answers_of(seed: int) -> tuple[torch.Tensor, torch.Tensor]:
    draw = torch.Generator().manual_seed(seed)
    maps = torch.randn(2, len(net.MAP_CHANNELS), 8, 8, generator=draw)
    return maps, torch.randn(2, len(net.GLOBAL_CHANNELS), generator=draw)


def test_teachers_answer_by_turns_and_do_not_learn() -> None:
    teachers = Teachers([Fixed(1.0), Fixed(-2.0)]).train()
    for level in (1.0, -2.0, 1.0):
        maps, answers = teachers(torch.zeros(3, 3, 32, 32))
        assert float(maps.mean()) == pytest.approx(level)
        assert answers.shape == (3, len(net.GLOBAL_CHANNELS))
        assert not maps.requires_grad
    assert not any(p.requires_grad for p in teachers.parameters())


def test_every_teacher_is_asked_at_first_looks_too() -> None:
    """One step in five is a first look: of five teachers it was always the same one's turn."""
    teachers = Teachers([Fixed(float(k)) for k in range(5)])
    asked = {False: [], True: []}
    for step in range(50):
        look = step % 5 == 4
        asked[look].append(float(teachers(torch.zeros(1, 3, 32, 32), look)[0].mean()))
    assert asked[True] == [0.0, 1.0, 2.0, 3.0, 4.0] * 2
    assert asked[False] == [0.0, 1.0, 2.0, 3.0, 4.0] * 8


def test_who_agrees_with_the_teachers_has_nothing_to_learn() -> None:
    maps, answers = answers_of(1)
    losses = taught_losses(maps, answers, maps, answers, ALL, ALL)
    assert set(losses) - {"total"} == set(WEIGHTS) - set(UNTAUGHT)
    for name, loss in losses.items():
        assert float(loss) == pytest.approx(0.0, abs=1e-5), name


def test_every_answer_moves_towards_the_teachers() -> None:
    taught = answers_of(2)
    own = [part.clone().requires_grad_() for part in answers_of(3)]
    before = taught_losses(*own, *taught, ALL, ALL)
    assert all(float(loss.detach()) > 0 for loss in before.values())
    step = torch.autograd.grad(before["total"], own)
    moved = [part - 0.02 * slope for part, slope in zip(own, step, strict=True)]
    after = taught_losses(*moved, *taught, ALL, ALL)
    assert float(after["total"].detach()) < float(before["total"].detach())
    spare = net.GLOBAL_CHANNELS.index("spare_log_sigma")
    untaught = step[1].abs().sum(0) == 0
    assert untaught.nonzero().flatten().tolist() == [spare]


def test_a_belief_costs_its_divergence() -> None:
    """Teachers say 0.8, the network 0.5: 0.8 ln(0.8/0.5) + 0.2 ln(0.2/0.5), by hand."""
    maps, answers = (torch.zeros_like(part) for part in answers_of(4))
    taught = answers.clone()
    taught[:, net.LAID] = math.log(4.0)
    loss = taught_losses(maps, answers, maps, taught, ALL, ALL)["laid"]
    assert float(loss) == pytest.approx(0.8 * math.log(1.6) + 0.2 * math.log(0.4), abs=1e-6)


def test_of_part_of_a_plant_only_the_maps_are_taught() -> None:
    """A teacher that never saw a foot alone mustn't say there what is lost."""
    own, taught = answers_of(5), answers_of(6)
    second = [part[1:] for part in (*own, *taught)]
    told = taught_losses(*own, *taught, torch.tensor([0.0, 1.0]), ALL)
    alone = taught_losses(*second, torch.ones(1), torch.ones(1))
    for name in ("count", "lost", "first_leaf", "foot_lost", "foot_first_leaf", "usability"):
        assert float(told[name]) == pytest.approx(float(alone[name]), rel=1e-5), name
    assert float(told["collar"]) != pytest.approx(float(alone["collar"]), rel=1e-3)


def test_maps_that_teachers_cannot_judge_teach_nothing() -> None:
    own, taught = answers_of(7), answers_of(8)
    second = [part[1:] for part in (*own, *taught)]
    told = taught_losses(*own, *taught, torch.tensor([0.0, 1.0]), torch.tensor([0.0, 1.0]))
    alone = taught_losses(*second, torch.ones(1), torch.ones(1))
    for name, loss in alone.items():
        assert float(told[name]) == pytest.approx(float(loss), rel=1e-4), name


def test_training_with_teachers_runs_and_logs_what_they_taught(tmp_path) -> None:
    samples = write_samples(tmp_path / "s", 6, seed=4)
    paths = []
    for seed in (1, 2):
        torch.manual_seed(seed)
        path = tmp_path / f"teacher-{seed}.pt"
        average = checkpoint.Average(build(pretrained=False), 0.9)
        checkpoint.save(path, average, step=1, elapsed_s=1.0, settings={}, scores={})
        paths.append(str(path))
    log = tmp_path / "log.jsonl"
    words = ["--samples", str(samples), "--out", str(tmp_path / "net.pt"), "--no-pretrained"]
    words += ["--device", "cpu", "--batch", "2", "--look-batch", "2", "--read-sizes", "64"]
    words += ["--look-shapes", "64x64", "--min-samples", "6", "--max-steps", "3", "--by-steps"]
    words += ["--log", str(log), "--teachers", *paths]
    train(arguments(words))
    assert '"taught"' in log.read_text()
    assert (tmp_path / "net.pt").is_file()


@pytest.mark.parametrize("start", ["--init", "--resume"])
def test_whose_photos_the_sources_learnt_from_is_noted_in_every_save(
    start: str, tmp_path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The weights it begins with and its teachers' answers both hold what those have learnt."""
    samples = write_samples(tmp_path / "s", 6, seed=4)
    paths = {}
    for name in ("before", "one", "two"):
        paths[name] = tmp_path / f"{name}.pt"
        average = checkpoint.Average(build(pretrained=False), 0.9)
        checkpoint.save(paths[name], average, step=1, elapsed_s=1.0, settings={}, scores={})
        checkpoint.note_learnt(paths[name], [name, "all"])
    noted, real = [], checkpoint.write_checkpoint

    def spied(path, payload) -> None:
        real(path, payload)
        noted.append(checkpoint.learnt_by(path))

    monkeypatch.setattr(checkpoint, "write_checkpoint", spied)
    # Over the weights it goes on from: a run cut short must not lose the note.
    words = ["--samples", str(samples), "--out", str(paths["before"]), "--device", "cpu"]
    words += ["--batch", "2", "--look-batch", "2", "--read-sizes", "64", "--look-shapes", "64x64"]
    words += ["--min-samples", "6", "--max-steps", "3", "--by-steps", "--checkpoint-minutes", "0"]
    words += [start, str(paths["before"]), "--teachers", str(paths["one"]), str(paths["two"])]
    train(arguments(words))
    assert len(noted) > 2
    assert all(of == {"before", "one", "two", "all"} for of in noted)
