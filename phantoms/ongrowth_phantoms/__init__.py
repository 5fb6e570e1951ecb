"""Phantom CTs with known truth."""
