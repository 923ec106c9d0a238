"""The recording day: several packs, the people who play them, and what is made of their takes."""
