"""A whole campaign as one self-contained page; nothing is computed here.

`content` says what a page is made of and is cheap to import; `render` makes the page and brings
matplotlib and jinja2 with it.
"""
