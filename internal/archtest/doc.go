// Package archtest holds the rules of the house that a compiler does not enforce, as a test over the module's source:
//
//   - arrows point down: practice < judgement, reminder, fault, access and their like < clinic < store < api/oas and
//     api/client < api < cmd; openapi and migrations, which only embed files, lie below all;
//   - practice imports the standard library and google/uuid; up to clinic nothing knows HTTP, SQL or a driver;
//   - only api imports the generated code of api/oas;
//   - only tests and internal/simulate import internal/store/memory, which keeps nothing, and only tests channeltest;
//   - internal/channel and internal/calendar import nothing of the module;
//   - nothing but cmd and api itself reads the clock;
//   - a function body has at most 80 lines, tests excepted, and a file at most 600; generated code is as it comes;
//   - every package has a comment.
//
// The source is walked and parsed here rather than listed by the go command: the test cache then sees every file that
// the verdict rests on, and files of all platforms and build tags are judged. Tests may import upwards, since they run
// on the real thing.
package archtest
