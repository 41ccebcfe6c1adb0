"""The page in the browser: the other door onto `workflow`. A hymn at a time, from the file to the printed pages.

    pages/        a module for each page she sees: what it answers, and the table of its addresses
    templates/    the same pages as HTML; static/ scripts and the style sheet
    forms/        what she fills in, read into values of the model
    desk/         the children's side: what a page asks of `workflow`, again a module for each page
    door.py       what every page needs: shelf, children, templates; a hymn opened, a change kept, a conflict shown
    asked.py      a request and its form, believed in nothing
    work.py       children that read, lay out and engrave; what they made is kept by content; work with progress
    making.py     files to take away, step by step
    sounds.py     sounds that were made, served in pieces
    app.py        the pages put together; every failure a sentence
    guard.py      who may ask, and how much: host, origin, size, time, what a page may do
    serve.py      port, browser, Ctrl-C

Imports go one way: `serve`, `app`, `pages`, `door`, `forms`, `work`; no page knows another, and `desk` is reached
through `work` alone. Everything is made on this machine and nothing is fetched from elsewhere.
"""
