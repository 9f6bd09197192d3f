"""How fast did the shafts turn, and how sure is that?"""
