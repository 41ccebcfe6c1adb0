"""What an arrangement sounds like: pipes, room, rendering in blocks, loudness, files. Needs scipy and soundfile."""
