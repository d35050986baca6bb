"""``python -m gradeprep``."""

from gradeprep.cli import main

if __name__ == "__main__":
    main()
