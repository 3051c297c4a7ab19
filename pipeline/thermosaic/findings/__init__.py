"""What the finding stage is made of, a room a kind of finding; `studies.explain` finds a zone anew with two of them.

All rooms read the same view of a pass (`mat.PassMat`) and give rows for the layers of `tables`.
Geometry is in metres of the map CRS, lengths and areas are ground lengths and areas.
"""
