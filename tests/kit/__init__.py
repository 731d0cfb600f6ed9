"""One kit for tests: healthy images, faults at the wires by name, readers, projects, bags, records.

What makes a fault, an image or a truth imports nothing of the program (`tests/unit/test_kit.py` holds it), so
that what is injected and what is diagnosed cannot share a mistake:

    wires      a chip on a bench: lines dead, joined, stuck, loose, crossed; streams that lose bytes
    images     invented healthy images, their look-alikes, and content that proves an order
    firmware   real firmware found in installed packages, in two halves
    faults     every reading fault by name: the streams as they were read, and what has to be named
    frames     the ways in which a reading may stand in another order, start or step
    files      words written as dump files
    project    a project folder: sheet.yaml and dumps, made from values
    oracle     which frame the rules of the design settle, written from its text alone

What hands the program its own values, or is looked at by it, may import it:

    subjects            images as the passes of one chip, and what examining finds in them
    invented_programs   programs of any processor's family, from the program's own opcode tables
    format_writers      an image in every notation, by no decoder
    report_samples      records that can exist, and hostile ones, for the report
    example_bags        the example's bag and bundle, packed once a run
    reader_simulated    a home-built reader on a pseudo-terminal, and captures to be killed
    reader_looping      a reader in its loop, on a `board_simulated` whose contacts have `histories`
    specimens, shelves  machines of several owners; bags by the thousand
    clusters, other_disk   workers on loopback; a disk as other systems have it
"""
