// The QR code brings the code behind the # of the address, which no server log sees.

const code = decodeURIComponent(location.hash.slice(1));
if (code) {
  history.replaceState(null, "", location.pathname);
  document.getElementById("code").value = code;
  document.getElementById("enter").submit();
} else {
  document.getElementById("code").focus();
}
