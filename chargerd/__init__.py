"""Form, charge, measure and judge hand-made aqueous zinc/carbon cells, unattended and fail-safe."""

__version__ = "0.1.0"
ENGINE_VERSION = "5"
"""Version of the decisions in `chargerd.core`. A run is resumed only by the engine version that began it."""
