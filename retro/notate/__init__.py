"""The written insert: grid and voices, MusicXML, engraving."""
