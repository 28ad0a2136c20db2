"""The only readers: elevation, parcels, layers of the user's. Files, CRSs and units stop here."""
