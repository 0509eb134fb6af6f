unit_test(client_layout_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/client/layout_test.c LINKS client)
unit_test(client_calc_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/client/calc_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/client/run_client.c LINKS m)
foreach(t client_calc_test)
  target_link_libraries(${t} PRIVATE PkgConfig::jansson)
  target_compile_definitions(${t} PRIVATE SOAKBENCH_BINARY="$<TARGET_FILE:soakbench>")
  add_dependencies(${t} soakbench)
endforeach()
