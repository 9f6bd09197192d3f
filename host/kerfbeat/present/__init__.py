"""How is a result shown to a person?"""
