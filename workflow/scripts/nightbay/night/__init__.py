"""The night run as processes on a machine that others use too: starting, ending, what it takes of the machine."""
