cat > in.log <<'LOG'
(1.123456789) can0 123#1122334455667788_F
(2.0) can0 123##7AABB T
(3.0) can0 123#R4
(4.0) can0 20000020#0000000000000000
LOG
$loomtap recast in.log -o out.csv; cat out.csv
$loomtap recast in.log -o out.csv --as csv-all; cat out.csv
$loomtap recast out.csv -o back.log && cmp in.log back.log && echo "the same again"
$loomtap recast in.log --id 0x123 --digits 6 -o out.log
printf 'id,data\n1,00\n' > bare.csv
$loomtap recast bare.csv
