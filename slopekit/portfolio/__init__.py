"""Many sites: thousands of parcels on thousands of tiles, with a journal, so that a run can be broken off and go on."""
