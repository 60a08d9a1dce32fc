cat > x.log <<'X'
(1.000000) can0 123#R
(1.100000) can0 123#R8
(1.200000) can0 20000080#0000000000000000
X
"$loomtap" survey x.log --json | python3 "$here/keys.py"
"$loomtap" survey x.log > table.txt; echo "exit $?"
cat table.txt
