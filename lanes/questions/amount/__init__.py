"""How much is in the lane?"""
