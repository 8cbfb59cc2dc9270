"""Above: plants counted and leaf tips seen in photos taken from the air.

A photo from above goes its own way: view, ground scale, maps of a network of its own, plants, rows,
stand, a *range* of stages. `collarvision.above.values` has the types that it gives.
"""
