"""Questions asked beside a run: arrays and frames in, findings out; no files, and none knows another."""
