"""When each device was last kept, what needs its owner, and what has one copy only."""
