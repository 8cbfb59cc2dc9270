"""Walk: from a flight over a field to the stops that settle it, and what the ground says of it.

`flight` puts a field's plants from above on one plane, `cells` sums them up by place, `zones` tells
places of unlike growth apart, `stops` says where to walk, and `correction` takes what was counted
on the ground to put the ranges from above right. Plants on the ground stay the authority: nothing
here stages a plant or judges a limit.
"""
