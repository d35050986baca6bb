"""``python -m gradeprep``."""

from gradeprep.entry import main

if __name__ == "__main__":
    main()
