"""Is it the same as the reference?"""
