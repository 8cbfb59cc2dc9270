"""Procedural young maize: grown, meshed, placed in a scene, path traced, with exact truth.

The way of a sample::

    botany ─▶ shape ─▶ stand ─▶ render ─▶ truth ─▶ sample files
    (spec)   (meshes)  (scene)  (pixels)  (keypoints)

``python -m training.plantgen --help`` writes samples; every number that has a published
source names it beside the value.
"""
