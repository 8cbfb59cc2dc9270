"""A field from above: scenes, samples, a second small network, its validation and export.

Nothing of this is imported at run time.
"""
