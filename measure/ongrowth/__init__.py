"""Follow-up CT measurement of bone screws that cross a bone defect."""

__version__ = "0.1.0"
