"""How far is the reaction, and how fast?"""
