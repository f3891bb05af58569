"""Marks and pixels to measurements, one file or folder a body part or method."""
