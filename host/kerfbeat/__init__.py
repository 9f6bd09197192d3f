"""Kerfbeat: what does the blade really do, what should it do, and where does the difference come from?"""
