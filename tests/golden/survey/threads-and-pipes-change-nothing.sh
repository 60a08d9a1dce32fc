drive="$root/captures/tarn-drive.log"
"$loomtap" survey "$drive" --json --threads 1 > one.json
"$loomtap" survey "$drive" --json --threads 4 > four.json
"$loomtap" survey - --json --quiet < "$drive" | sed 's|"files":\["-"\]|"files":["'"$drive"'"]|' > pipe.json
cmp one.json four.json && cmp one.json pipe.json && echo "the same"
