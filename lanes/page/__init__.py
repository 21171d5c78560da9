"""The plate on the screen: a page served to this machine's own browser, and to no one else.

`gate` lets nobody else in, `routes` answers, `document` is a plate with its settings and their
history, `edits` what a person changes, `reader` reads again what depends on it, `worker` does so
beside the server, `drafts` keeps everything on disk, `asking` and `saving` run the program's own
commands. The browser's part is in `static`.
"""
