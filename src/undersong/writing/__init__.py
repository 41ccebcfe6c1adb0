"""What leaves the house: MusicXML, MIDI, engraved pages, the booklet."""
