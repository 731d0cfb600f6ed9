"""What leaves the house: the public view of a record, programming files, differences between bags. Pure."""
