"""``python -m gradeprep``."""

from gradeprep.guard import main

if __name__ == "__main__":
    main()
