"""How pure is it?"""
