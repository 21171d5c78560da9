"""One folder a question: its answer, page, figure and command. This list is their registry."""

QUESTIONS = ("shoulder", "purity", "compare", "follow", "fractions", "amount", "solvent")
