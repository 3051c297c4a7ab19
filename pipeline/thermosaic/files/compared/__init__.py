"""The folder of a comparison of lots: its content, layers, raster, page, and how it is published.

Rooms: `pair` (what was found between two), `sentences`, `looks`, `difference` (the raster), `page`, `folder`.
"""
