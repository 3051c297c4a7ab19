"""The seven stages of a run, one verb each; none knows another."""
