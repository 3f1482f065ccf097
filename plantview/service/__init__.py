"""The field process: everything that must not stop, and the only one with sockets to the plant.

    polling -> history -> derive -> alarms -> channel

It is also where a simulated plant is run, as devices in a process of its own.
Nothing here can write to equipment: no write module is imported.
"""
