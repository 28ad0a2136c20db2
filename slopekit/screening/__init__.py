"""What a screening is: its job, its looks, one parcel, many parcels, and what is said of them. Read `parcel` first."""
