"""The page in the browser: the other door onto `workflow`. A hymn at a time, from the file to the printed pages.

    guard.py      who may ask, and how much: host, origin, size, time, what a page may do
    app.py        addresses and what they answer
    work.py       children that read, lay out and engrave; what they made is kept by content; work with progress
    desk.py       the child's side
    serve.py      port, browser, Ctrl-C

Everything is made on this machine and nothing is fetched from elsewhere.
"""
