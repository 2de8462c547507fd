// Command build makes the console's files, api/console/dist, from its sources, api/console/src, and
// from the npm packages in api/console/npm. Building needs neither node nor a network.
//
//	go run ./api/console/build              build, and write what changed
//	go run ./api/console/build -check       compare with what is there, write nothing
//	go run ./api/console/build -types       write src/lib/openapi.ts anew; needs node
//	go run ./api/console/build -typecheck   check the types of the sources; needs node
//
// A package is a tarball as npm packs it. Its SHA-512 must be the one that package-lock.json has, and
// package-lock.json must name no other. Everything is unpacked and bundled in a temporary folder, whose
// name is in no output: the result is the same, byte for byte, wherever it is made.
//
// dist/NOTICE.txt has the licences of what is bundled, from the tarballs.
package main
