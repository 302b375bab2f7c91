"""What is measured by hand and not in the test suite: `python -m tests.benchmarks`."""
