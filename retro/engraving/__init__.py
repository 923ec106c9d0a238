"""MusicXML becomes pages: PDF for print, pictures for screens."""
