"""One component, or two?"""
