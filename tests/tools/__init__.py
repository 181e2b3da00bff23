"""Long runs, benchmarks and what draws pictures: each a command, `python -m tests.tools.NAME`."""
