"""Cam edges on the clock to offset, scatter and teeth."""
