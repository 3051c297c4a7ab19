"""The logs of a lot: scan lines, fixes and wheel, read by format file, counted row by row; `reading` is the way in."""
