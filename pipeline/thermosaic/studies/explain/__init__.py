"""Explain one number of a published result: from file and row to the class or the zone.

Everything is computed anew from the published readings, by the rule that the result carries, and held
against what the layers state. Nothing is read or written here.
"""
