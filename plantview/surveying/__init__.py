"""Looks around before a plant is watched: who is on the network, what they hold, whether all is ready. Reads only.

Nothing here runs while a plant is watched; every question is asked once, one at a time.
"""
