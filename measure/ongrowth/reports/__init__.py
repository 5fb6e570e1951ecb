"""What a measurement is handed out as: page, note, objects, tables."""
