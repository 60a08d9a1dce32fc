cat > in.log <<'LOG'
(1700000000.000000) can0 100#00
(1700000000.500000) can1 00000100#01
(1700000001.000000) can0 1FF#02 T
(1700000001.500000) can0 200#03
(1700000002.000000) can1 18FEF100#04
(1700000002.500000) can0 20000020#0000000000000000
LOG
echo "- span"; $loomtap recast in.log --from 0.5 --to 1700000001.5 --quiet
echo "- range"; $loomtap recast in.log --id 0x100..0x1FF --quiet
echo "- 29 bits"; $loomtap recast in.log --id 100x,18FEF100x --quiet
echo "- all but"; $loomtap recast in.log --id '!0x100..0x1FF,!error' --quiet
echo "- error frames"; $loomtap recast in.log --id error --quiet
echo "- bus and new name"; $loomtap recast in.log --bus can1 --rename can1=chassis --quiet
echo "- rebased"; $loomtap recast in.log --id 0x200 --rebase --quiet
echo "- started"; $loomtap recast in.log --from 1 --to 1.5 --start 10 --quiet
echo "- digits"; $loomtap recast in.log --to 0 --digits 2 --quiet
