"""What is wrong with the machine, since when, and how sure is that?

Pulse logs in, results out: `drift`, `orders`, `slip`, `compare`.  Nothing here reads a file or prints.
"""
