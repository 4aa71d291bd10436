#!/bin/sh
# Has this computer play a keyboard at its USB gadget port, for destinations of the kind keystrokes. Run it as root, once after each
# start of the computer; it needs the kernel modules libcomposite and usb_f_hid, and a port that can be a device (most small
# boards have one, office computers none). The keyboard is /dev/hidg0 and belongs to the group given as the first argument.
set -eu
group=${1:-weighpost}
mountpoint -q /sys/kernel/config 2>/dev/null || mount -t configfs none /sys/kernel/config
cd /sys/kernel/config/usb_gadget
mkdir weighpost
cd weighpost
echo 0x1d6b >idVendor # Linux Foundation
echo 0x0104 >idProduct # multifunction composite gadget
mkdir strings/0x409 configs/c.1 functions/hid.usb0
echo weighpost >strings/0x409/product
# A boot keyboard: protocol 1, subclass 1, reports of 8 bytes, and the descriptor of HID 1.11, appendix E.6.
echo 1 >functions/hid.usb0/protocol
echo 1 >functions/hid.usb0/subclass
echo 8 >functions/hid.usb0/report_length
printf '\005\001\011\006\241\001\005\007\031\340\051\347\025\000\045\001\165\001\225\010\201\002\225\001\165\010\201\003\225\005\165\001\005\010\031\001\051\005\221\002\225\001\165\003\221\003\225\006\165\010\025\000\045\145\005\007\031\000\051\145\201\000\300' >functions/hid.usb0/report_desc
ln -s functions/hid.usb0 configs/c.1/
ls /sys/class/udc | head -n 1 >UDC
tries=0
until [ -e /dev/hidg0 ]; do
	tries=$((tries + 1))
	[ $tries -lt 50 ] || { echo "the keyboard /dev/hidg0 did not come" >&2; exit 1; }
	sleep 0.1
done
chgrp "$group" /dev/hidg0
chmod 0660 /dev/hidg0
