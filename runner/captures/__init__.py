"""Reads what a scope wrote to a file, and finds the ripple in it."""
