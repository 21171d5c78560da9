"""Which solvent mixture next?"""
