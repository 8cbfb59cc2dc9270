"""Forward and backward passes recorded once and replayed, so that no kernel is launched by hand.

Launching a small network's kernels one by one takes longer than they run
(`training/EXPERIMENTS.md`, 27). A CUDA graph launches all in one go, and unlike a compiled network
it is there in seconds. It holds for the shapes it was recorded with, for the memory the weights lie
in, and for one way of norming; whoever records must have no other thread at work on the GPU.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import torch
from torch import Tensor, nn

Passes = Callable[[Tensor], tuple[Tensor, Tensor]]
WARM_UP = 3


class ByShape:
    """Passes of one network, each for images of one shape."""

    def __init__(self, passes: Mapping[tuple[int, ...], Passes]):
        self._passes = dict(passes)

    def __call__(self, image: Tensor) -> tuple[Tensor, Tensor]:
        """Give maps and answers; they are overwritten by the next call with this shape.

        Raises
        ------
        KeyError
            When nothing was recorded for this shape.
        """
        return self._passes[tuple(image.shape)](image)


class _Once(nn.Module):
    """The network again: each recording of learning needs a module of its own."""

    def __init__(self, network: nn.Module):
        super().__init__()
        self.network = network

    def forward(self, image: Tensor) -> tuple[Tensor, Tensor]:
        told: tuple[Tensor, Tensor] = self.network(image)
        return told


def record_learning(
    network: nn.Module, images: Sequence[Tensor], before: Callable[[nn.Module], None] | None = None
) -> ByShape:
    """Record a network's passes forward and back, in training mode but for what `before` changes.

    Parameters
    ----------
    images : one (N, 3, H, W) for each shape, on the GPU, laid out as they will come
    before : what is done to the network for the recording, such as freezing its norms; the network
        is in training mode again afterwards, and its weights and statistics are as before.
    """
    kept = {name: value.clone() for name, value in network.state_dict().items()}
    network.train()
    if before is not None:
        before(network)
    pool = torch.cuda.graph_pool_handle()
    passes: dict[tuple[int, ...], Passes] = {}
    with torch.autocast("cuda", torch.bfloat16, cache_enabled=False):
        for image in images:
            passes[tuple(image.shape)] = torch.cuda.make_graphed_callables(
                _Once(network),
                (image,),
                num_warmup_iters=WARM_UP,
                allow_unused_input=True,
                pool=pool,
            )
    network.train()
    network.load_state_dict(kept)
    return ByShape(passes)


class _Reading:
    """A network's pass forward, recorded."""

    def __init__(self, network: nn.Module, image: Tensor):
        self._image = image.clone()
        side = torch.cuda.Stream()
        side.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(side):
            for _ in range(WARM_UP):
                network(self._image)
        torch.cuda.current_stream().wait_stream(side)
        self._graph = torch.cuda.CUDAGraph()
        with torch.cuda.graph(self._graph):
            self._told: tuple[Tensor, Tensor] = network(self._image)

    def __call__(self, image: Tensor) -> tuple[Tensor, Tensor]:
        self._image.copy_(image)
        self._graph.replay()
        return self._told


def record_reading(network: nn.Module, images: Sequence[Tensor]) -> ByShape:
    """Record passes forward of a network that does not learn; `images` as in `record_learning`."""
    with torch.no_grad(), torch.autocast("cuda", torch.bfloat16, cache_enabled=False):
        return ByShape({tuple(image.shape): _Reading(network, image) for image in images})
