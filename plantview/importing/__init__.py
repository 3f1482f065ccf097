"""Logs that were made elsewhere: a person maps their columns to points, and they become history."""
