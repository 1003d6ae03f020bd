"""Protection: one row per fault that a reading can show. Pure; judges what the program judges, and can only reduce.

Every comparison is written so that a missing or non-finite value never passes as healthy, and any one valid sensor may trip.
"""
