"""Settings that name places: which they name, and how other places are put in their stead."""
