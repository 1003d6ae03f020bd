"""A run's files: the record of every input, and the state itself."""
