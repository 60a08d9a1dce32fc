$loomtap recast $root/captures/tarn-drive.log -o a.log.gz --quiet
$loomtap recast $root/captures/tarn-drive.log -o a.log.zst --quiet --level 1
gzip -dc a.log.gz | cmp - $root/captures/tarn-drive.log && echo gzip
$loomtap recast a.log.zst --quiet | cmp - $root/captures/tarn-drive.log && echo zstd
$loomtap recast $root/captures/tarn-drive.log --as csv | $loomtap recast - 2>/dev/null | cmp - $root/captures/tarn-drive.log && echo csv
