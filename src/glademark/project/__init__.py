"""What was asked: the project file, read and checked before any work starts."""

from glademark.project.model import Project
from glademark.project.read import read_project

__all__ = ["Project", "read_project"]
