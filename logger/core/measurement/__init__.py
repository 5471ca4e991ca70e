"""The check of one measurement: conditions, thermal error in µm, soak, stamp."""
