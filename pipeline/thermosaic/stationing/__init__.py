"""Rooms of s4: marks on the path, the two ways of stationing, passes beside each other, changes by station."""
