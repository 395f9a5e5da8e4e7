"""Files that owners write, layouts and the config: YAML read with places, every mistake told at once."""
