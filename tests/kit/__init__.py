"""One kit for tests: healthy images, faults at the wires by name, whole projects with the truth beside them.

Nothing in here imports the program: what is injected and what is diagnosed cannot share a mistake.

    wires      a chip on a bench: lines dead, joined, stuck, loose, crossed; streams that lose bytes
    images     invented healthy images, their look-alikes, and content that proves an order
    firmware   real firmware found in installed packages, in two halves
    faults     every reading fault by name: the streams as they were read, and what has to be named
    frames     the ways in which a reading may stand in another order, start or step
    files      words written as dump files
    project    a project folder: sheet.yaml and dumps, made from values
    oracle     which frame the rules of the design settle, written from its text alone
"""
