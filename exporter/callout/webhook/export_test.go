package webhook

// Tag is the bare HMAC, for its published vectors.
var Tag = tag
