"""Which fractions to pool?"""
