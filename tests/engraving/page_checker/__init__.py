"""Looks at pages as a librarian does, and says what is wrong with them.

`ink` takes the engraver's pictures apart into shapes; `overlaps` and `places` judge where these
lie; `bars` reads MusicXML, and `signs` and `values` judge what it says; `look` does it all for a
pack.
Nothing here asks the code that wrote the pages whether they are good.
"""
