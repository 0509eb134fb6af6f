unit_test(line_protocol_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/uplink/line_protocol_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c LINKS uplink journal)
target_include_directories(line_protocol_test PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal)
