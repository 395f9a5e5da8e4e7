"""How fast handhold is, as ratios against general tools on the same files in the same run."""
