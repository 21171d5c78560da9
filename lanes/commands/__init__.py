"""One module a command: its arguments, and its answer printed and written. No science here.

Each has `HELP` (one line), `DESCRIPTION`, `add_arguments(parser)` and `run(arguments)`. What is
slow to import is imported in `run`, so that `lanes --help` does not wait for it.
"""
