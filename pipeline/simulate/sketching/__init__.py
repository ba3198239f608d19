"""A second way to draw bones: straight into the pixels of their picture, where the rest of `simulate` works on tables
unrolled about the focus. The two share no constant, so that they cannot share a wrong idea.
"""
