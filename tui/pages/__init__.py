"""Pages to read or print: the briefing, the handover, and in `debrief/` what an educator takes from cases.

A page is a `page.Page` of titled tables, as text or HTML. May import `text/`, `grammar`,
`listener/storage`.
"""
