"""Placeholder."""
class Schedule:
    def __init__(self, service): pass
    def start(self): pass
    def close(self): pass
