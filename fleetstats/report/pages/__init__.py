"""What stands on each page: typed contexts, every number already in words. Pure: no disk, no clock."""
