"""How the page of the dictionary looks, on a screen and on paper."""

STYLE = """
:root { --ink: #1c1c1c; --muted: #595959; --line: #d9d6d0; --paper: #fbfaf8; --card: #ffffff;
        --accent: #2a7a6a; --deep: #12213c; }
* { box-sizing: border-box; }
body { margin: 0; background: var(--paper); color: var(--ink);
       font: 16px/1.5 system-ui, "Segoe UI", "DejaVu Sans", sans-serif; }
main { max-width: 76rem; margin: 0 auto; padding: 2.5rem 1.5rem 4rem; }
a { color: var(--accent); text-underline-offset: .15em; }
h1 { font-size: 1.8rem; line-height: 1.2; margin: 0 0 .8rem; color: var(--deep); }
h2 { font-size: 1.25rem; margin: 2.6rem 0 .4rem; padding-bottom: .3rem; color: var(--deep);
     border-bottom: 2px solid var(--deep); }
p { margin: 0 0 .7rem; max-width: 60rem; }
.study { color: var(--muted); font-size: 1.1rem; }
.row { color: var(--muted); }
code { font: .93em ui-monospace, "DejaVu Sans Mono", monospace; overflow-wrap: anywhere; }
table { border-collapse: collapse; table-layout: fixed; width: 100%; margin: .5rem 0 1rem; font-size: .88rem;
        background: var(--card); }
th, td { padding: .32rem .6rem; border-bottom: 1px solid var(--line); text-align: left; vertical-align: top;
         overflow-wrap: break-word; }
thead th { border-bottom: 1.5px solid var(--ink); }
tbody th { font-weight: 600; }
.needed { font-weight: 600; color: var(--deep); }
.contents { columns: 3 17rem; padding: 0; margin: .8rem 0 1.2rem; list-style: none; }
.contents li { break-inside: avoid; padding: .15rem 0; }
.contents .row { display: block; font-size: .85rem; }
footer { margin-top: 3rem; padding-top: .8rem; border-top: 1px solid var(--line); color: var(--muted);
         font-size: .84rem; }
@page { size: A4; margin: 13mm; }
@media print { body { background: #ffffff; font-size: 9.5pt; } main { max-width: none; padding: 0; }
               table { font-size: 7.6pt; } code { font-size: .88em; } th, td { padding: .2rem .3rem; }
               .contents { columns: 3; }
               a { color: inherit; text-decoration: none; } tr { break-inside: avoid; }
               h2 { margin-top: 1.6rem; } h2, h2 + .row { break-after: avoid; }
               thead { display: table-header-group; } }
"""
