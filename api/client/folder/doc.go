// Package folder keeps a server's configuration as files in a directory, to have it under version
// control:
//
//	rules.yaml                 the rules, byte by byte as they are on the server
//	channels.json              the channels, with masks in the place of secrets
//	products.csv               the products (or products.json, where they don't fit into CSV)
//	sites/SITE/layout.json     the layout of each site, byte by byte
//
// Export writes these files. Read reads them, Plan asks the server what storing them would do, and
// Apply stores them, all or none, if the server's configuration is still the one that the plan was
// made for. A document without a file stays on the server as it is; there is no deleting.
//
// Dotfiles and files called README or README.* are left alone, in every directory. Any other file
// is an error, so that a slip in a name is not passed over.
//
// # Secrets
//
// What Export writes has no secret: a mask such as whsec_***1a2b3c4d stands for what the server
// has, and is kept when it is sent back. A new secret is given by reference: ${LINTEL_SECRET_NAME}
// inside a text of channels.json stands for the variable of that name in the environment of whoever
// applies. Only names with this beginning are looked up, so that a changed file can't send any
// other variable to an address of its choice.
package folder
