"""Casefile."""
