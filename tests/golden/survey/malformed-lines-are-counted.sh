cat > x.log <<'X'
(1.000000) can0 123#11
(1.100000) can0 12#11
(1.200000) can0 123#1
(1.300000) can0 123#12
X
"$loomtap" survey x.log --json | python3 "$here/keys.py"
"$loomtap" survey x.log --strict --json | python3 "$here/keys.py"
"$loomtap" survey x.log --strict --quiet > /dev/null; echo "exit $?"
