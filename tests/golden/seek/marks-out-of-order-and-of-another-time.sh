# Marks that stand in any order are put in order and counted; those of another day are refused with
# both time spans.
drive="$root/captures/tarn-drive.log"
printf 'time_s,label\n1700000041,wet\n1700000001,comfort\n1700000026.5,sport\n1700000054,comfort\n' > order.csv
"$loomtap" seek "$drive" --marks order.csv | sed -n 3,6p
printf 'time_s,label\n500000001,comfort\n500000026,sport\n' > other-day.csv
"$loomtap" seek "$drive" --marks other-day.csv --json -o out.json
echo "status $?"
