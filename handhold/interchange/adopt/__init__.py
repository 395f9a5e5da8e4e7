"""Old backups that owners made by hand, taken in as snapshots of their own dates."""
