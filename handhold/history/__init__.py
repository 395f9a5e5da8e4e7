"""What became of the saves over the nights: their versions, evenings of play, what differs between two."""
