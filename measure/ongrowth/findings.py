"""Findings."""
