"""Trouble codes: what each says and does not say, what it supports, and what several say together."""
