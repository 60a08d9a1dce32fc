awk 'BEGIN { for (i = 0; i < 9000; i++) printf "(%d.%06d) can0 %08X#%04X\n", i / 1000, i % 1000 * 1000, 65536 + i * 3, i }' > x.log
"$loomtap" survey x.log --json | python3 "$here/keys.py"
"$loomtap" survey x.log --brief --quiet --html page.html --draft x.ini > table.txt; echo "exit $?"
grep -c '^000' table.txt
grep -o '[0-9]* more frames are not drawn' page.html
"$loomtap" check x.ini | cut -d: -f2 | cut -d, -f1
