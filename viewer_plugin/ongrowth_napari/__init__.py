"""Napari widgets over the measurements of ongrowth."""
