"""How the invented machine's chips came to be and how they were read: content, wires, logs, pictures.

Nothing here imports Wellread: a reader's faults are modelled at the wires, so that what the program finds can
be compared with what was truly done.
"""
