"""What did the board see, and when?"""
