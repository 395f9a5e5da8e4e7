"""To and from what others read: exports for people without handhold, and old backups taken in."""
