"""`python -m auditor` does what `auditor` does."""

from auditor.cli import main

main()
