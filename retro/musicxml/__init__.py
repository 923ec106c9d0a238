"""The written insert as MusicXML 4.0."""
