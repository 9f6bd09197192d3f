"""What would a physical machine, sensor and board have sent?"""
