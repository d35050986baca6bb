"""gradeprep: brings plates that were exposed hot on purpose back to their intended exposure.

Importing the package loads nothing else; import the submodule that is wanted.
"""

__version__ = "0.1.0"
