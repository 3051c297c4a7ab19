"""What an archive keeps: its folder and lock, bags, the catalogue, the index of lots, notes."""
