"""Procedural young maize: grown, meshed, placed in a scene, path traced, with exact truth.

The way of a sample::

    wish ─▶ botany ─▶ shape ─▶ stand ─▶ render ─▶ truth ─▶ optics ─▶ sample files
           (spec)   (meshes)  (scene)  (pixels)  (points)  (photo)
                                │
           plantparts, setting, litter, surroundings, textures, cardface, camera, mesh

``python -m training.plantgen --help`` writes samples; every number that has a published
source names it beside the value.
"""
