"""The benchmark: gradeprep beside the floor and other programs, in one run.

``python -m tests.bench --help`` from the checkout. Whole processes are measured from outside, in
turns (A B C A B C ...), so that a ratio compares what ran within the same minute.
"""
