"""retro: what an orchestra plays so that its recording, turned round, is the wanted phrase."""

__version__ = "0.1.0"
