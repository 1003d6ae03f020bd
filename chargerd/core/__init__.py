"""The pure core: decides from what it is told, and touches no clock, file, socket or thread."""
