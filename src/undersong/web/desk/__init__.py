"""In the child: what each page asks of `workflow`, from plain JSON to plain JSON; a module for each page.

`Work.ask("plan:verse", request)` runs `verse` of `desk/plan.py`.
"""
