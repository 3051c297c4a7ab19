"""One pinned coordinate operation of known accuracy, or a refusal.

PROJ picks silently among operations, falls back to "ballpark" ones, and treats plain WGS 84 as any
frame. Here the operation is chosen once, its accuracy is required, and its pipeline is kept so that a
manifest can repeat it. Not done here: heights are never transformed.
"""
