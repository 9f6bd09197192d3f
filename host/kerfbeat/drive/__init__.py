"""What should the chain of motor, belts and gears do?"""
