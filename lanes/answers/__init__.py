"""A chemist's questions, each answered from a reading."""
