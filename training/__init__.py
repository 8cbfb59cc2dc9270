"""Training, evaluation and export of the reading network; never loaded at run time."""
