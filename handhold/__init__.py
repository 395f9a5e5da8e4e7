"""handhold keeps the saves, states and settings of handheld game devices."""

__version__ = "0.1.0"
