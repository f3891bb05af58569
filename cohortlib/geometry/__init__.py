"""Points to shapes to numbers: plain geometry in millimetres, without tables or images."""

from cohortlib.geometry.circle import Circle, fit_circle
from cohortlib.geometry.ellipse import Ellipse, fit_ellipse
from cohortlib.geometry.line import Line, fit_line

__all__ = ["Circle", "Ellipse", "Line", "fit_circle", "fit_ellipse", "fit_line"]
