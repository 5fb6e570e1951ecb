"""Mutated inputs: sound files of every kind the program reads, and what chance can do to them.

A mutant is made from a number alone, so that a fault can be made again.
"""

from mutants.outcome import Outcome, run
from mutants.series import Mutant, make_series
from mutants.sound import as_bytes, tiny_files, tiny_scan
from mutants.words import make_words

__all__ = ["Mutant", "Outcome", "as_bytes", "make_series", "make_words", "run", "tiny_files", "tiny_scan"]
