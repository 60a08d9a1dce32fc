: > empty.log
"$loomtap" survey empty.log; echo "exit $?"
"$loomtap" survey empty.log --json --quiet | python3 "$here/keys.py"
"$loomtap" survey empty.log --html page.html --draft draft.ini --quiet > table.txt; echo "exit $?"
"$loomtap" check draft.ini | cut -d: -f2 | cut -d, -f1
grep -c '</html>' page.html
