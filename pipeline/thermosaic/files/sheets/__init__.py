"""What people look at, from a published result: its nouns, drawings and page parts.

Everything here reads one `LotSheet`, so report, card and single plots agree; nothing computes a finding.
"""
